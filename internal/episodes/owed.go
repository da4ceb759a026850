package episodes

import (
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Due is one thing that is owed to a patient before the next shift begins, as it is said of
// the chart. Whose it is and how it stands are told by its episodes: see Things.
type Due struct {
	// Key names it: see KeyOf.
	Key    string
	Moment time.Time // at which the chart says so
	StayID string
	// Kind is FallWithoutSet, TellProvider, ClearanceOwed, RecheckOverdue (due or overdue),
	// PrecautionsMissing or DoseReview.
	Kind records.EpisodeKind
	Rule string
	// Figures make with Rule the sentence of internal/text.
	Figures clinical.Figures
	At      *time.Time // when a set is due; nil where nothing tells a time
	// Episodes are the ids of the episodes that it is.
	Episodes []string
}

// KeyOf names the thing that an episode belongs to. A set that is owed is one thing whatever
// asks for it, for one set answers every demand; any other episode is a thing of its own.
func KeyOf(kind records.EpisodeKind, stayID, id string) string {
	if ofSet(kind) {
		return IDOf("set", stayID, "")
	}
	return id
}

// ofSet reports whether an orthostatic set is what is owed.
func ofSet(kind records.EpisodeKind) bool { return kind == FallWithoutSet || kind == RecheckOverdue }

// Owed lists what is owed to a stay at the moment of its assessment or falls due by
// the moment before, in the order of Kinds. What contradicts itself in the data is told by
// its episodes alone.
func Owed(a alerts.Assessment, p clinical.Policy, before time.Time) []Due {
	if a.Died() {
		return nil
	}
	out := setOwed(a, p, before)
	for _, c := range slices.Concat(
		providerToTell(a, p), clearanceOwed(a), precautionsMissing(a), doseReview(a)) {
		if !c.Opens {
			continue
		}
		id := c.ID()
		out = append(out, Due{
			Key: id, StayID: c.StayID, Moment: a.At, Kind: c.Kind, Rule: c.Rule, Figures: c.Figures, Episodes: []string{id},
		})
	}
	slices.SortStableFunc(out, func(x, y Due) int { return slices.Index(Kinds, x.Kind) - slices.Index(Kinds, y.Kind) })
	return out
}

// setOwed is the one set that answers every demand which is owed by then: after a
// fall, or as a recheck. Nothing where nobody may stand the patient now: after an injury
// the clearance is owed, and of who cannot stand none is.
func setOwed(a alerts.Assessment, p clinical.Policy, before time.Time) []Due {
	if a.Recheck.State == alerts.Blocked {
		return nil
	}
	id := a.Digest.StayID
	d := Due{Kind: RecheckOverdue, StayID: id, Moment: a.At, Key: KeyOf(RecheckOverdue, id, "")}
	for _, i := range a.Recheck.Open { // earliest first
		if i.Due.After(before) && !i.Due.Before(a.At) {
			continue
		}
		if d.At == nil {
			due := i.Due
			d.At, d.Rule, d.Figures = &due, i.Rule, dueFigures(i, a.At)
		}
		d.Episodes = append(d.Episodes, IDOf(RecheckOverdue, id, i.Rule+" "+instanceKey(a.Digest, i)))
	}
	for _, c := range fallsWithoutSet(a, p) {
		if f, fell := c.Figures.(alerts.FellFigures); !c.Opens || !fell || f.Injury == "death" || len(a.Recheck.Open) == 0 {
			continue // a fatal fall opens no recheck
		}
		d.Kind, d.Rule, d.Figures = FallWithoutSet, c.Rule, c.Figures // of the latest one
		d.Episodes = append(d.Episodes, c.ID())
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

// preparing is for how long before a huddle people already assign for what comes
// after it. Common practice, no source.
const preparing = time.Hour

// HoldsUntil is when what is given at a moment is over by itself: when the first huddle is
// over that begins at least an hour after it. Then it is spoken of anew.
func HoldsUntil(at time.Time, p clinical.UnitPolicy, zone *time.Location) time.Time {
	next, ok := clinical.ClockAfter(p.Huddle, at.Add(preparing).Add(-1), zone)
	if !ok {
		return at.Add(24 * time.Hour) // the policy's check refuses such a clock
	}
	return next.Add(alerts.HuddleLasts)
}
