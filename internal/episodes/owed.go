package episodes

import (
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// Due is one thing that is owed to a patient before the next shift begins, as the
// huddle speaks of it and gives it to somebody.
type Due struct {
	// Key names it for as long as it is owed. A set that is owed is one thing whatever
	// asks for it: its key lasts until an interpretable set is taken.
	Key  string
	Kind records.EpisodeKind // FallWithoutSet, TellProvider, RecheckOverdue (due or overdue), PrecautionsMissing or DoseReview
	Rule string
	// Figures make with Rule the sentence of internal/text.
	Figures clinical.Figures
	At      *time.Time // when a set is due; nil where nothing tells a time
	Blocked bool       // the set may not be taken before the provider clears it
	// Episodes are the ids of the episodes that it is, or becomes when it is overdue.
	Episodes []string
}

// Owed lists what is owed to a stay at the moment of its assessment or falls due by
// the moment before, in the order of Kinds. What contradicts itself in the data is
// left to the list of episodes.
func Owed(a alerts.Assessment, p clinical.Policy, before time.Time) []Due {
	out := setOwed(a, p, before)
	conditions := append(providerToTell(a, p), precautionsMissing(a)...)
	for _, c := range append(conditions, doseReview(a)...) {
		if !c.Opens {
			continue
		}
		id := IDOf(c.Kind, c.StayID, c.Trigger)
		d := Due{Key: id, Kind: c.Kind, Rule: c.Rule, Figures: c.Figures, Episodes: []string{id}}
		if c.Kind == TellProvider {
			out = append([]Due{d}, out...)
			continue
		}
		out = append(out, d)
	}
	return fallFirst(out)
}

// fallFirst brings a set after a fall before all else: the order of Kinds.
func fallFirst(list []Due) []Due {
	for n, d := range list {
		if d.Kind == FallWithoutSet && n > 0 {
			copy(list[1:n+1], list[:n])
			list[0] = d
		}
	}
	return list
}

// setOwed is the one set that answers every demand which is owed by then: after a
// fall, or as a recheck. Nothing where the patient cannot stand for it; where an
// injury must be cleared first, it is owed that somebody asks.
func setOwed(a alerts.Assessment, p clinical.Policy, before time.Time) []Due {
	d := Due{Kind: RecheckOverdue, Key: setSince(a.Digest)}
	if a.Recheck.State == alerts.Blocked {
		for _, word := range a.Recheck.Missing {
			if word == alerts.CannotWalk {
				return nil
			}
		}
		d.Blocked = true
	}
	for _, i := range a.Recheck.Open { // earliest first
		if i.Due.After(before) {
			continue
		}
		if d.At == nil {
			due := i.Due
			d.At, d.Rule, d.Figures = &due, i.Rule, dueFigures(i, a.At)
		}
		d.Episodes = append(d.Episodes, IDOf(RecheckOverdue, a.Digest.StayID, i.Rule+" "+instanceKey(a.Digest, i)))
	}
	for _, c := range fallsWithoutSet(a, p) {
		if f, fell := c.Figures.(alerts.FellFigures); !c.Opens || !fell || f.Injury == "death" || len(a.Recheck.Open) == 0 {
			continue // a fatal fall opens no recheck
		}
		d.Kind, d.Rule, d.Figures = FallWithoutSet, c.Rule, c.Figures // of the latest one
		d.Episodes = append(d.Episodes, IDOf(c.Kind, c.StayID, c.Trigger))
		if d.At == nil { // owed at once, though it is due in the next shift
			due := a.Recheck.Open[0].Due
			d.At = &due
		}
	}
	if d.At == nil {
		return nil
	}
	return []Due{d}
}

func dueFigures(i alerts.Instance, at time.Time) alerts.RecheckFigures {
	if i.Due.Before(at) {
		return alerts.RecheckOf(i, alerts.Overdue)
	}
	return alerts.RecheckOf(i, alerts.Due)
}

// setSince names the set that is owed: the one after the latest interpretable one.
func setSince(d trends.Digest) string {
	after := "admission"
	if latest := d.LatestInterpretable(); latest != nil {
		after = setKey(*latest)
	}
	return IDOf("set", d.StayID, after)
}

// preparing is for how long before a huddle people already assign for what comes
// after it. Common practice, no source.
const preparing = time.Hour

// HoldsUntil is when an assignment is over by itself: when the first huddle is over
// that begins at least an hour after it. Then it is spoken of anew.
func HoldsUntil(a records.Assignment, p clinical.UnitPolicy, zone *time.Location) time.Time {
	next, ok := clinical.ClockAfter(p.Huddle, a.At.Add(preparing).Add(-1), zone)
	if !ok {
		return a.At.Add(24 * time.Hour) // the policy's check refuses such a clock
	}
	return next.Add(alerts.HuddleLasts)
}

// LongestAssignment is longer than any assignment holds, whatever the clocks do.
const LongestAssignment = 72 * time.Hour

// Assigned picks, by key, the assignments that hold at a moment: of those made by
// then, in the order in which they were made, the last of each key, unless it names
// nobody or is over.
func Assigned(all []records.Assignment, p clinical.UnitPolicy, zone *time.Location, at time.Time) map[string]records.Assignment {
	out := map[string]records.Assignment{}
	for _, a := range all {
		if a.At.After(at) {
			continue
		}
		if a.Name == "" || !at.Before(HoldsUntil(a, p, zone)) {
			delete(out, a.Key)
			continue
		}
		out[a.Key] = a
	}
	return out
}
