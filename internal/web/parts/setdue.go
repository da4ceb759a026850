package parts

import (
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// SetDue is the time that stands beside a set that is owed, and its state: of a set after a
// fall the time of R-FALL, whatever else asks for it sooner. The time of what is owed must be known.
func SetDue(t frame.Times, a alerts.Assessment, d episodes.Due) (time.Time, string) {
	at := *d.At
	if fell, is := d.Figures.(alerts.FellFigures); is && sooner(a, d) {
		for _, i := range a.Recheck.Open {
			if i.Rule == alerts.RFall && i.Trigger.Equal(fell.FellAt) {
				at = i.Due
			}
		}
	}
	return at, DueState(t, at)
}

// DueState is alerts.Overdue once a time has passed, alerts.Due until then.
func DueState(t frame.Times, due time.Time) string {
	if due.Before(t.At) {
		return alerts.Overdue
	}
	return alerts.Due
}

// SetNotes are what else is said of a set that is owed: by what answer it was put off, that
// no further one will do so, and for how long the patient stands; nothing of who died.
func SetNotes(t frame.Times, a alerts.Assessment) []string {
	if a.Died() {
		return nil
	}
	notes := []string{t.Answered(a.Recheck), text.AskProvider(a.Recheck), text.StandFor(a.Digest.Serial)}
	return slices.DeleteFunc(notes, func(s string) bool { return s == "" })
}

// AskedBefore says what asks for the set after a fall sooner than the fall does, and since when
// it is overdue, so that its time is not taken for that of the fall; "" where nothing does.
func AskedBefore(t frame.Times, a alerts.Assessment, d episodes.Due) string {
	before := BeforeFall(t, a, d)
	if before == "" {
		return ""
	}
	r := a.Recheck
	return text.Say("huddle.asked-before", text.RecheckWhy(r.Rule, r.Drug, r.Change), before)
}

// BeforeFall says when what asks sooner than the fall does is due: "overdue since 27 Nov 13:35";
// "" where nothing does.
func BeforeFall(t frame.Times, a alerts.Assessment, d episodes.Due) string {
	switch {
	case !sooner(a, d):
		return ""
	case DueState(t, *d.At) == alerts.Overdue:
		return text.Say("huddle.overdue-since", t.Time(*d.At))
	}
	return text.Say("huddle.due-at", t.Time(*d.At))
}

// sooner reports whether something else asks for the set after a fall before the fall does.
func sooner(a alerts.Assessment, d episodes.Due) bool {
	r := a.Recheck
	return d.Kind == episodes.FallWithoutSet && r.Rule != alerts.RFall && r.DueAt != nil && d.At != nil && r.DueAt.Equal(*d.At)
}
