package alerts

import (
	"time"

	"plumbline/internal/trends"
)

// The figures of the rules of this package, by what they tell. Episodes keep them as
// JSON: a name, once used, keeps its meaning.

// FellFigures tell a fall, the latest where there are several.
type FellFigures struct {
	FellAt time.Time `json:"fell_at"`
	Injury string    `json:"injury"` // as charted; "" where it was not
	Falls  int       `json:"falls"`  // how many there are; 0 where they were not counted
	// Bleeds are the drugs that make it bleed, by what was known when it was told.
	Bleeds []trends.Bleed `json:"bleeds,omitempty"`
}

// FellOf are the figures of a fall, the latest of so many; 0 where they are not counted.
func FellOf(f trends.FallFact, falls int) FellFigures {
	return FellFigures{FellAt: f.At, Injury: f.Injury, Falls: falls, Bleeds: f.Bleeds}
}

// SetFigures tell a set: pressures and drops in mmHg, nil where not measured.
type SetFigures struct {
	SetAt             time.Time `json:"set_at"`
	Kind              string    `json:"kind"`
	Criteria          []string  `json:"criteria"`
	Symptoms          []string  `json:"symptoms"`
	BaselineSystolic  *float64  `json:"baseline_systolic"`
	BaselineDiastolic *float64  `json:"baseline_diastolic"`
	SystolicDrop      *float64  `json:"systolic_drop"`
	DiastolicDrop     *float64  `json:"diastolic_drop"`
	UprightSystolic   *float64  `json:"upright_systolic"` // of the lowest reading that compares
	UprightDiastolic  *float64  `json:"upright_diastolic"`
	UprightMinutes    *float64  `json:"upright_minutes"` // since standing or sitting up
	UprightPosition   string    `json:"upright_position"`
	// What was not kept before December 2026: the lowest standing systolic that compares,
	// and the timing and course of a drop (F-TIME, F-SUSTAIN).
	StandingSystolic *float64    `json:"standing_systolic,omitempty"`
	Timing           trends.Word `json:"timing,omitempty"`
	Sustained        trends.Word `json:"sustained,omitempty"`
}

// SymptomFigures tell a set with symptoms: what it found, symptoms_only or inconclusive.
type SymptomFigures struct {
	SetFigures
	Finding string `json:"finding"`
}

// GapFigures tell a set and the precautions that are missing after it.
type GapFigures struct {
	SetFigures
	Finding string   `json:"finding"`
	Missing []string `json:"missing"`
	// DiedOf is when the patient fell who died of it: nothing is asked for then. nil else.
	DiedOf *time.Time `json:"died_of,omitempty"`
}

// RecheckFigures tell a demand for a recheck.
type RecheckFigures struct {
	DueAt  time.Time `json:"due_at"`
	Rule   string    `json:"recheck_rule"`
	State  string    `json:"state"`
	Drug   string    `json:"drug"`   // of R-DRUG; "" where several drugs were changed at once
	Change string    `json:"change"` // of R-DRUG, with Drug
	// Set is the latest positive set, of R-POSITIVE; nil of other rules and where it was
	// kept before December 2026.
	Set *SetFigures `json:"set,omitempty"`
}

// ReviewFigures tell why doses are to be looked at.
type ReviewFigures struct {
	Flags []string  `json:"flags"` // ids of rules
	Drugs []string  `json:"drugs"`
	SetAt time.Time `json:"set_at"` // the latest positive set
	// Set tells that set; nil where it was kept before December 2026.
	Set *SetFigures `json:"set,omitempty"`
	// DiedOf is as in GapFigures.
	DiedOf *time.Time `json:"died_of,omitempty"`
}

// MissingFigures tell which precautions are missing.
type MissingFigures struct {
	Missing []string `json:"missing"`
	// DiedOf is as in GapFigures.
	DiedOf *time.Time `json:"died_of,omitempty"`
}

// WatchFigures tell why a patient is watched, by one ground or several.
type WatchFigures struct {
	Contributors []string   `json:"contributors"` // kinds, with SetAt; none where that is no ground
	SetAt        *time.Time `json:"set_at"`       // the latest positive set
	ClearedAt    *time.Time `json:"cleared_at"`
	DueAt        *time.Time `json:"due_at"` // a recheck, with RecheckRule
	RecheckRule  string     `json:"recheck_rule"`
	// Set is the set of SetAt; nil where it was kept before December 2026.
	Set *SetFigures `json:"set,omitempty"`
}

// RecentFigures tell in how many hours before which positive set a drug was changed.
type RecentFigures struct {
	SetAt time.Time `json:"set_at"`
	Hours float64   `json:"hours"`
}

// PeakFigures tell how many positive sets began how many hours after a dose, and, by
// drug, how the sets within EffectHours after a dose compare with the others (T-DOSE).
type PeakFigures struct {
	Sets        int                 `json:"sets"`
	FromHours   float64             `json:"from_hours"`
	ToHours     float64             `json:"to_hours"`
	EffectHours float64             `json:"effect_hours"`
	Doses       []trends.AroundDose `json:"doses"`
}

// RoomFigures tell a lying systolic pressure, in mmHg.
type RoomFigures struct {
	LyingSystolic float64 `json:"lying_systolic"`
}

// LyingFigures tell the grade of a lying pressure.
type LyingFigures struct {
	LyingPressure trends.Word `json:"lying_pressure"`
}

// OfRule marks the figures of a rule.
func (FellFigures) OfRule()    {}
func (SetFigures) OfRule()     {}
func (RecheckFigures) OfRule() {}
func (ReviewFigures) OfRule()  {}
func (MissingFigures) OfRule() {}
func (WatchFigures) OfRule()   {}
func (RecentFigures) OfRule()  {}
func (PeakFigures) OfRule()    {}
func (RoomFigures) OfRule()    {}
func (LyingFigures) OfRule()   {}

// StoppedAlone reports whether a set is positive by its symptoms alone: what it says of
// pressures is then no fall.
func (f SetFigures) StoppedAlone() bool { return trends.StoppedAlone(f.Criteria) }

// LowSystolic is the standing systolic that F-LOW speaks of, nil where none compares.
func (f SetFigures) LowSystolic() *float64 {
	if f.StandingSystolic == nil {
		return f.UprightSystolic
	}
	return f.StandingSystolic
}

// DecidedBy is the first criterion that made a set positive and can be told with its
// figure; "" where there is none.
func (f SetFigures) DecidedBy() string {
	return trends.DecidedBy(f.Criteria, f.SystolicDrop, f.DiastolicDrop, f.LowSystolic())
}

// SetOf names what a sentence about a set tells.
func SetOf(set trends.Set) SetFigures {
	f := SetFigures{
		SetAt: set.StartedAt, Kind: set.Kind, Criteria: set.Criteria, Symptoms: set.Symptoms,
		SystolicDrop: set.SystolicDrop, DiastolicDrop: set.DiastolicDrop,
		StandingSystolic: set.LowSystolic(), Timing: set.Timing, Sustained: set.Sustained,
	}
	if b := set.Baseline; b != nil {
		f.BaselineSystolic, f.BaselineDiastolic = b.Systolic, b.Diastolic
	}
	if u := lowestUpright(set); u != nil {
		f.UprightSystolic, f.UprightDiastolic, f.UprightMinutes = u.Systolic, u.Diastolic, u.Minutes
		f.UprightPosition = string(u.Position)
	}
	return f
}

// RecheckOf are the figures of a demand that stands in a state.
func RecheckOf(i Instance, state string) RecheckFigures {
	return RecheckFigures{DueAt: i.Due, Rule: i.Rule, State: state, Drug: i.Drug, Change: i.Change, Set: i.Set}
}
