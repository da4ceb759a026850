package text

import (
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// Ending is a reason of ending, by evidence or by a person, as people read it.
func Ending(reason string) string {
	if said, known := EndingReasons[reason]; known {
		return said
	}
	return spoken.word("closings", reason)
}

// owedFigures count what is owed, by how it stands: nobody's, in somebody's hands, put off.
type owedFigures struct{ All, Open, InHand, PutOff int }

// Owed says how many things are owed, and how many of them are in somebody's hands.
func Owed(list []episodes.Thing) string {
	var f owedFigures
	for _, t := range list {
		if !t.Active() {
			continue
		}
		f.All++
		switch t.State {
		case episodes.Open:
			f.Open++
		case episodes.Deferred, episodes.Answered:
			f.PutOff++
		default:
			f.InHand++
		}
	}
	return sayOwed(Catalogue{}, f)
}

// EpisodeWhy says why an episode was opened: its rule with its figures.
func (c Catalogue) EpisodeWhy(rule string, f clinical.Figures) string {
	return c.rule(rule, ".says", f)
}

// EpisodeEvent says what an event did, without its time: "taken by mb".
func (c Catalogue) EpisodeEvent(v records.EpisodeEvent) string {
	if v.What != episodes.Ended {
		return sayEvents[v.What](c, v)
	}
	said := endedFigures{Reason: v.Reason}
	switch by, _ := v.Figures.(episodes.Evidence); {
	case !by.ClearedAt.IsZero():
		said.ClearedAt, said.ClearedBy = &by.ClearedAt, by.ClearedBy
	case !by.SetAt.IsZero():
		said.SetAt = &by.SetAt
	}
	return sayEventEnded(c, said)
}

// endedFigures are by what evidence an episode ended: SetAt where a set was it, ClearedAt where
// a provider's word was.
type endedFigures struct {
	Reason           string
	SetAt, ClearedAt *time.Time
	ClearedBy        string // "" where it is not charted
}

// stateFigures are an episode with its age.
type stateFigures struct {
	records.Episode
	Owed time.Duration
}

// EpisodeState says where an episode stands, and for how long it has been owed:
// taking or putting off hides no age.
func (c Catalogue) EpisodeState(e records.Episode) string {
	state := string(e.State)
	if e.State == episodes.Done && e.Ending == episodes.ByPerson {
		state = "closed"
	}
	return sayStates[state](c, stateFigures{e, e.OwedFor(c.At)})
}

// ThingBrief says in a few words how a thing stands, and with names whose it is; "" where it
// is nobody's, or the line of its recheck tells by which answer it was put off.
func (c Catalogue) ThingBrief(t episodes.Thing, names bool) string {
	e := t.Episode
	switch {
	case e.State == episodes.Open || e.State == episodes.Answered && t.Due != nil:
		return ""
	case names:
		return sayBriefs[e.State](c, e)
	}
	return sayNameless[e.State](c, e)
}
