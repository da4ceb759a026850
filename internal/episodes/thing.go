package episodes

import (
	"cmp"
	"plumbline/internal/records"
	"slices"
	"strings"
)

// Thing is one thing that is owed: what people give, take, put off and close, and what is
// counted. One set answers every demand for a set, so all of them are one thing; any other
// episode is one by itself.
type Thing struct {
	// Episode tells the state and the owner; its Kind is the most pressing one, RaisedAt and
	// Since the earliest, Told the units that were told of any. Of what has no episode yet it is open.
	records.Episode
	Key     string
	Members []records.Episode // the episodes that are owed; one action acts on all of them
	Due     *Due              // what the chart says of it; nil where it says no more
}

// Is reports whether an episode belongs to the thing.
func (t Thing) Is(id string) bool {
	return slices.ContainsFunc(t.Members, func(e records.Episode) bool { return e.ID == id })
}

// Nobodys reports whether the thing is nobody's yet.
func (t Thing) Nobodys() bool { return t.State == Open }

// Owner is whose the thing is; "" for nobody's.
func (t Thing) Owner() string {
	switch t.State {
	case Taken, Assigned, Deferred, Told:
		return t.Who
	}
	return ""
}

// Things puts together what is owed, of episodes and of what the chart says at the same
// moment: the count of these is the one count of every page. What the chart says and what a
// person has closed is a thing that is done, which Active tells. The order is that of Kinds,
// the oldest first within a kind.
func Things(list []records.Episode, dues []Due) []Thing {
	byKey := map[string][]records.Episode{}
	done := map[string]records.Episode{}
	for _, e := range list {
		if !e.Active() {
			done[e.ID] = e
			continue
		}
		key := KeyOf(e.Kind, e.StayID, e.ID)
		byKey[key] = append(byKey[key], e)
	}
	var out []Thing
	for n := range dues {
		d := &dues[n]
		t := Thing{Key: d.Key, Due: d, Members: byKey[d.Key]}
		delete(byKey, d.Key)
		switch {
		case len(t.Members) > 0:
			t.Episode = lead(t.Members)
		default:
			t.Episode = closed(*d, done)
			t.StayID = d.StayID
		}
		t.Kind = d.Kind
		out = append(out, t)
	}
	for key, members := range byKey {
		out = append(out, Thing{Key: key, Members: members, Episode: lead(members)})
	}
	slices.SortFunc(out, func(a, b Thing) int {
		return cmp.Or(slices.Index(Kinds, a.Kind)-slices.Index(Kinds, b.Kind),
			a.OwedSince().Compare(b.OwedSince()), strings.Compare(a.StayID, b.StayID), strings.Compare(a.Key, b.Key))
	})
	return out
}

// ThingOf is the thing that an episode belongs to, of the episodes of its stay; nothing but
// itself where it is done.
func ThingOf(e records.Episode, ofStay []records.Episode) Thing {
	key := KeyOf(e.Kind, e.StayID, e.ID)
	members := slices.DeleteFunc(slices.Clone(ofStay), func(o records.Episode) bool {
		return !o.Active() || KeyOf(o.Kind, o.StayID, o.ID) != key
	})
	if !e.Active() || len(members) == 0 {
		return Thing{Key: key, Members: []records.Episode{e}, Episode: e}
	}
	return Thing{Key: key, Members: members, Episode: lead(members)}
}

// closed is the latest of the episodes of what the chart says where all that there are are
// done: by a person, or after the moment for which the chart was read. Else it is an open one.
func closed(d Due, done map[string]records.Episode) records.Episode {
	var last *records.Episode
	for _, id := range d.Episodes {
		e, known := done[id]
		if !known || e.Ending != ByPerson && !e.ChangedAt.After(d.Moment) {
			return records.Episode{State: Open}
		}
		if last == nil || e.ChangedAt.After(last.ChangedAt) {
			last = &e
		}
	}
	if last == nil {
		return records.Episode{State: Open}
	}
	return *last
}

// strength orders states by what they say of a thing whose episodes differ: one that opens
// while somebody has the others in hand is in the same hands, and what is put off is put off
// only where all of it is.
var strength = []records.EpisodeState{Taken, Assigned, Told, Open, Deferred, Answered, Done}

// lead is the episode whose state and owner are those of a thing, with the most pressing
// kind of its members and the earliest of their beginnings.
func lead(members []records.Episode) records.Episode {
	out := slices.MinFunc(members, func(a, b records.Episode) int {
		c := slices.Index(strength, a.State) - slices.Index(strength, b.State)
		if c == 0 && !a.Until.IsZero() && !b.Until.IsZero() && a.State != Assigned {
			return a.Until.Compare(b.Until) // put off: the first that is owed again
		}
		return cmp.Or(c, b.ChangedAt.Compare(a.ChangedAt), strings.Compare(a.ID, b.ID))
	})
	pressing := slices.MinFunc(members, func(a, b records.Episode) int { return slices.Index(Kinds, a.Kind) - slices.Index(Kinds, b.Kind) })
	out.Kind, out.Rule, out.Figures, out.Facts = pressing.Kind, pressing.Rule, pressing.Figures, pressing.Facts
	var told []string // one is overdue: so is the thing, whatever was asked for last
	for _, e := range members {
		told = append(told, e.Told...)
		if e.RaisedAt.Before(out.RaisedAt) {
			out.RaisedAt = e.RaisedAt
		}
		if since := e.OwedSince(); since.Before(out.OwedSince()) {
			out.Since = since
		}
	}
	slices.Sort(told)
	out.Told = slices.Compact(told)
	return out
}
