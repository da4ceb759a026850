package text

import (
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// answeredFigures tell an answer to a recheck, and when it is asked for again.
type answeredFigures struct {
	Answer trends.AnswerFact
	DueAt  time.Time
}

// Answered says by which answer a recheck was put off, and until when; "" where none has
// moved it (R-ANSWER).
func (c Catalogue) Answered(r alerts.Recheck) string {
	if r.Answer == nil || r.DueAt == nil {
		return ""
	}
	return sayAnswered(c, answeredFigures{*r.Answer, *r.DueAt})
}

// AskProvider says how often a recheck was answered where no further answer puts it off;
// "" where one still does.
func AskProvider(r alerts.Recheck) string {
	if !r.AskProvider {
		return ""
	}
	return sayAskProvider(Catalogue{}, r.Answered)
}

// StandFor says for how long a patient stands to be cleared, and when readings are taken;
// "" where the usual readings at 1 and 3 min do, or there is nothing to clear (T-CLEAR).
func StandFor(s trends.Serial) string {
	minutes := s.LongStand()
	if s.Cleared || minutes == nil {
		return ""
	}
	return sayStandFor(Catalogue{}, *minutes)
}

// Restriction says which limb must not be measured, why and since when.
func (c Catalogue) Restriction(r trends.RestrictionFact) string { return sayLimb(c, r) }

// RestrictionBrief is Restriction for a row of a list: the limb alone.
func RestrictionBrief(r trends.RestrictionFact) string {
	return sayLimbBrief(Catalogue{}, r)
}

// LowAtRest tells a low pressure at rest without its time, which stands beside it.
func LowAtRest(low trends.AtRest) string { return sayLow(Catalogue{}, low) }

// LowAtRestBrief tells a low pressure at rest in a few words, with its time and age.
func (c Catalogue) LowAtRestBrief(low trends.AtRest) string { return sayLowBrief(c, low) }

// chestFigures tell at rest or upright pain in the chest was felt, and at which set.
type chestFigures struct {
	AtRest bool
	At     time.Time
}

func chestOf(s trends.Set) chestFigures {
	return chestFigures{slices.Contains(s.AtRest, clinical.HoldChestPain), s.StartedAt}
}

// ChestPain tells a pain in the chest at a set without its time, which stands beside it.
func ChestPain(s trends.Set) string { return sayChest(Catalogue{}, chestOf(s)) }

// ChestPainBrief is ChestPain in a few words, with its time and age.
func (c Catalogue) ChestPainBrief(s trends.Set) string { return sayChestBrief(c, chestOf(s)) }

// Emergency tells an emergency that no rule ranks without its time, which stands beside it.
func Emergency(e trends.Emergency) string { return sayEmergency(Catalogue{}, e) }

// EmergencyBrief is Emergency in a few words, with its time and age.
func (c Catalogue) EmergencyBrief(e trends.Emergency) string { return sayEmergBrief(c, e) }

// WarningTime is WarningBrief without its age, for what is read later.
func (c Catalogue) WarningTime(w alerts.Warning) string {
	what := Emergency(trends.Emergency{What: w.What})
	if w.Low != nil {
		what = LowAtRest(*w.Low)
	}
	return what + ", " + c.Time(w.At)
}

// WarningBrief tells what is asked about before the patient stands, with its time and age.
func (c Catalogue) WarningBrief(w alerts.Warning) string {
	if w.Low != nil {
		return c.LowAtRestBrief(*w.Low)
	}
	return c.EmergencyBrief(trends.Emergency{At: w.At, What: w.What})
}

// Stale says that a list is old and how old; "" where it is not (U-FRESH).
func (c Catalogue) Stale(f alerts.Freshness) string {
	if !f.Stale {
		return ""
	}
	return sayStale(c, f)
}

// Came says of each kind of fact when the feeds last brought one.
func (c Catalogue) Came(last map[clinical.Kind]time.Time) string { return sayCame(c, last) }

// Quiet says since when the feeds have brought no vital sign of a patient, newest being when
// the last was taken; nil where there is none.
func (c Catalogue) Quiet(newest *time.Time) string {
	return sayQuiet(c, alerts.Freshness{Newest: newest})
}

// QuietBrief is Quiet for a row.
func (c Catalogue) QuietBrief(newest *time.Time) string {
	return sayQuietBrief(c, alerts.Freshness{Newest: newest})
}
