package clinical

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// What was taken here goes to the hospital's record, and comes back from there with the feeds: an echo. It
// must make no second reading, and a correction that was made in the record must not be lost. Where the
// record hands back our identities the feeds' readers know an echo by them; where it drops them, it is known
// here, by what it says.

// EchoReach is how far apart a fact taken here and its echo may lie, this included.
const EchoReach = time.Minute

// echoKinds are the kinds of which an echo is known by what it says.
var echoKinds = []Kind{KindVitals, KindClearance, KindAnswer}

// echoPair is a fact taken here, and one of a feed that says the same.
type echoPair struct {
	ours, theirs *Record
	apart        time.Duration
}

// takeEchoes finds the echoes among the records of the chart, takes them out of what is used, and has
// their corrections correct what they are echoes of: the nearest pair first, each fact once.
func (c *Chart) takeEchoes() {
	ours, theirs := c.echoSides()
	if len(ours) == 0 || len(theirs) == 0 {
		return
	}
	var pairs []echoPair
	for _, o := range ours {
		for _, e := range theirs {
			if apart, ok := apart(o, e); ok {
				pairs = append(pairs, echoPair{o, e, apart})
			}
		}
	}
	if len(pairs) == 0 {
		return
	}
	slices.SortFunc(pairs, func(a, b echoPair) int {
		return cmp.Or(rankRemoved(a.theirs)-rankRemoved(b.theirs), cmp.Compare(a.apart, b.apart),
			strings.Compare(a.ours.SourceID, b.ours.SourceID), strings.Compare(a.theirs.SourceID, b.theirs.SourceID))
	})
	used := map[*Record]bool{}
	for _, p := range pairs {
		if used[p.ours] || used[p.theirs] {
			continue
		}
		used[p.ours], used[p.theirs] = true, true
		p.theirs.EchoOf = p.ours.SourceID
		p.correct()
	}
	c.sortOut()
}

// echoSides are the records of which one may be an echo of another.
func (c *Chart) echoSides() (ours, theirs []*Record) {
	for _, list := range [][]Record{c.Records, c.Removed} {
		for n := range list {
			switch r := &list[n]; {
			case !slices.Contains(echoKinds, r.Kind):
			case r.TakenHere():
				ours = append(ours, r)
			default:
				theirs = append(theirs, r)
			}
		}
	}
	return ours, theirs
}

// rankRemoved puts what was taken back in the record last: it may have been charted there anew.
func rankRemoved(r *Record) int {
	if r.Removed() {
		return 1
	}
	return 0
}

// apart is how far apart the nearest two versions lie that say the same.
func apart(ours, theirs *Record) (nearest time.Duration, ok bool) {
	if ours.Kind != theirs.Kind {
		return 0, false
	}
	for _, o := range ours.History {
		if o.Body == nil {
			continue
		}
		for _, e := range theirs.History {
			if e.Body == nil {
				continue
			}
			d := e.Body.OwnTime().Sub(o.Body.OwnTime()).Abs()
			if d <= EchoReach && saysTheSame(o.Body, e.Body) && (!ok || d < nearest) {
				nearest, ok = d, true
			}
		}
	}
	return nearest, ok
}

// saysTheSame compares all of a fact but its time. A pulse that the record does not keep is none.
func saysTheSame(ours, theirs Body) bool {
	switch o := ours.(type) {
	case Vitals:
		e, is := theirs.(Vitals)
		return is && o.Position == e.Position && sameFigure(o.Systolic, e.Systolic) && sameFigure(o.Diastolic, e.Diastolic) &&
			(e.HeartRate == nil || sameFigure(o.HeartRate, e.HeartRate))
	case Answer:
		e, is := theirs.(Answer)
		return is && o.Answer == e.Answer
	case Clearance:
		_, is := theirs.(Clearance)
		return is
	}
	return false
}

func sameFigure(a, b *float64) bool {
	if a == nil || b == nil {
		return a == b
	}
	return *a == *b
}

// correct has the last version of an echo correct what it is an echo of, where it was recorded later and
// says what was never said here.
func (p echoPair) correct() {
	last := p.theirs.History[len(p.theirs.History)-1]
	if p.ours.Removed() || !last.RecordedAt.After(p.ours.RecordedAt) {
		return
	}
	now := p.ours.Version
	now.RecordedAt, now.Stated = last.RecordedAt, last.Stated
	now.Feed, now.File, now.Line, now.Reading = last.Feed, last.File, last.Line, last.Reading
	if now.Status = EnteredInError; !last.Removed() {
		for _, o := range p.ours.History {
			if o.Body != nil && EchoesBody(o.Body, atTimeOf(o.Body, last.Body)) {
				return
			}
		}
		now.Status, now.Body = Corrected, CorrectedByEcho(p.ours.Body, atTimeOf(p.ours.Body, last.Body))
	}
	p.ours.Version, p.ours.History = now, append(p.ours.History, now)
}

// atTimeOf gives an echo the time of what it is one of, where it lies within the reach of it: so near it is
// no correction of the time.
func atTimeOf(ours, theirs Body) Body {
	at := ours.OwnTime()
	if theirs.OwnTime().Sub(at).Abs() > EchoReach {
		return theirs
	}
	switch b := theirs.(type) {
	case Vitals:
		b.TakenAt = at
		return b
	case Answer:
		b.AnsweredAt = at
		return b
	case Clearance:
		b.ClearedAt = at
		return b
	}
	return theirs
}

// sortOut puts echoes apart, and what an echo has taken back among what was entered in error.
func (c *Chart) sortOut() {
	var kept, removed []Record
	for _, r := range slices.Concat(c.Records, c.Removed) {
		switch {
		case r.EchoOf != "":
			c.Echoes = append(c.Echoes, r)
		case r.Removed():
			removed = append(removed, r)
		default:
			kept = append(kept, r)
		}
	}
	byFact := func(a, b Record) int {
		return cmp.Or(kindRank(a.Kind)-kindRank(b.Kind), strings.Compare(a.SourceID, b.SourceID))
	}
	slices.SortStableFunc(removed, byFact)
	slices.SortStableFunc(c.Echoes, byFact)
	c.Records, c.Removed = kept, removed
}

// EchoesBody compares what comes back with what was taken here, in what the record keeps: what it does not
// tell counts as the same. Times are compared to the second, as they are sent, and to the minute where the
// record keeps no seconds.
func EchoesBody(ours, theirs Body) bool {
	switch o := ours.(type) {
	case Vitals:
		e, is := theirs.(Vitals)
		return is && sameMoment(o.TakenAt, e.TakenAt) && toldWord(e.Position, o.Position) && toldWord(e.Limb, o.Limb) &&
			toldFigure(e.Systolic, o.Systolic) && toldFigure(e.Diastolic, o.Diastolic) && toldFigure(e.HeartRate, o.HeartRate)
	case Answer:
		e, is := theirs.(Answer)
		return is && o.Answer == e.Answer && sameMoment(o.AnsweredAt, e.AnsweredAt)
	case Clearance:
		e, is := theirs.(Clearance)
		return is && sameMoment(o.ClearedAt, e.ClearedAt)
	case Restriction:
		e, is := theirs.(Restriction)
		return is && o.Limb == e.Limb && (e.StartedAt.IsZero() || sameMoment(o.StartedAt, e.StartedAt)) && sameEnd(o.EndedAt, e.EndedAt)
	}
	return false
}

func toldWord[S ~string](theirs, ours S) bool { return theirs == "" || theirs == ours }

func toldFigure(theirs, ours *float64) bool { return theirs == nil || sameFigure(theirs, ours) }

func sameMoment(ours, theirs time.Time) bool {
	return ours.Truncate(time.Second).Equal(theirs.Truncate(time.Second)) || ours.Truncate(time.Minute).Equal(theirs)
}

func sameEnd(ours, theirs *time.Time) bool {
	if ours == nil || theirs == nil {
		return ours == theirs
	}
	return sameMoment(*ours, *theirs)
}

// CorrectedByEcho is what was taken here with what the record says otherwise. What the record has no place
// for stays: minutes, symptoms, "stopped early", the set.
func CorrectedByEcho(ours, theirs Body) Body {
	switch o := ours.(type) {
	case Vitals:
		e, is := theirs.(Vitals)
		if !is {
			return ours
		}
		if !sameMoment(o.TakenAt, e.TakenAt) {
			o.TakenAt = e.TakenAt
		}
		o.Position, o.Limb = cmp.Or(e.Position, o.Position), cmp.Or(e.Limb, o.Limb)
		if e.Systolic != nil || e.Diastolic != nil {
			o.PressureUnit = e.PressureUnit
		}
		o.Systolic, o.Diastolic = cmp.Or(e.Systolic, o.Systolic), cmp.Or(e.Diastolic, o.Diastolic)
		o.HeartRate = cmp.Or(e.HeartRate, o.HeartRate)
		return o
	case Answer:
		if e, is := theirs.(Answer); is {
			o.Answer, o.AnsweredAt = e.Answer, e.AnsweredAt
		}
		return o
	case Clearance:
		if e, is := theirs.(Clearance); is {
			o.ClearedAt = e.ClearedAt
		}
		return o
	case Restriction:
		if e, is := theirs.(Restriction); is {
			o.Limb, o.EndedAt = e.Limb, e.EndedAt
			if !e.StartedAt.IsZero() {
				o.StartedAt = e.StartedAt
			}
		}
		return o
	}
	return ours
}

// ourIDs are how the source_ids of what is taken here begin: by the form, and by other programs.
var ourIDs = []string{BedsideFeed + "-", "here-"}

// IsOurs reports whether a source_id is of the form of those of facts that are taken here.
func IsOurs(sourceID string) bool {
	return slices.ContainsFunc(ourIDs, func(begin string) bool { return strings.HasPrefix(sourceID, begin) })
}
