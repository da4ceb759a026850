package trends

import (
	"encoding/json"
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// Word is a word of a closed list; the empty one is written as null in JSON:
// it was not computed or does not apply.
type Word string

// MarshalJSON writes the word, or null for the empty one.
func (w Word) MarshalJSON() ([]byte, error) {
	if w == "" {
		return []byte("null"), nil
	}
	return json.Marshal(string(w))
}

// The findings of a set.
const (
	Positive     = "positive"
	Inconclusive = "inconclusive"
	SymptomsOnly = "symptoms_only"
	Negative     = "negative"
)

// The criteria that a set may meet.
const (
	CritSystolic  = "systolic_drop"
	CritDiastolic = "diastolic_drop"
	CritLow       = "low_standing_systolic"
	CritStopped   = "symptom_limited"
	CritPulse     = "pulse_rise_30"
	CritNotable   = "pulse_rise_notable"
	CritSupine    = "supine_hypertension_30"
)

// Timings, pulse responses and lying pressures.
const (
	PossibleInitial = "possible_initial"
	Classic         = "classic"
	Delayed         = "delayed"

	Falling    = "falling"
	Blunted    = "blunted"
	Brisk      = "brisk"
	Unreliable = "unreliable"

	MildSupine     = "mild supine hypertension"
	ModerateSupine = "moderate supine hypertension"
	SevereSupine   = "severe supine hypertension"
	LowLying       = "low"
	UsualLying     = "usual"
)

// Grades of a set's quality.
const (
	Complete = "complete"
	Usable   = "usable"
	Unusable = "unusable"
)

// Baseline is the reading in the lower position that a set starts from.
type Baseline struct {
	TakenAt   time.Time         `json:"taken_at"`
	Systolic  *float64          `json:"systolic"`
	Diastolic *float64          `json:"diastolic"`
	HeartRate *float64          `json:"heart_rate"`
	Position  clinical.Position `json:"position"`
	Limb      Word              `json:"limb"`
	Minutes   *float64          `json:"minutes_in_position"`

	// KPa is true where the pressures were charted in kPa. It is no part of a document.
	KPa bool `json:"kpa,omitempty"`
	// WhyNone is why there is no pressure, as in Reading. It is no part of a document.
	WhyNone Word `json:"why_none,omitempty"`
}

// Where the minutes upright come from.
const (
	FromChart      = "charted"
	FromTimestamps = "timestamps"
)

// Upright is a reading in a higher position than the baseline. Drops are the
// baseline's value minus this one: a rise is negative.
type Upright struct {
	TakenAt       time.Time         `json:"taken_at"`
	Minutes       *float64          `json:"minutes_upright"`
	MinutesFrom   Word              `json:"minutes_from"`
	Position      clinical.Position `json:"position"`
	Systolic      *float64          `json:"systolic"`
	Diastolic     *float64          `json:"diastolic"`
	HeartRate     *float64          `json:"heart_rate"`
	Limb          Word              `json:"limb"`
	SystolicDrop  *float64          `json:"systolic_drop"`
	DiastolicDrop *float64          `json:"diastolic_drop"`
	PulseRise     *float64          `json:"pulse_rise"`

	KPa     bool `json:"kpa,omitempty"`      // as in Baseline
	WhyNone Word `json:"why_none,omitempty"` // as in Baseline
}

// Counts reports whether the reading counts for drops: it has a systolic, so
// has the baseline, and their limbs are comparable.
func (u Upright) Counts() bool { return u.SystolicDrop != nil }

func (u Upright) standing() bool { return u.Position == clinical.Standing }

// minutesBetween reports whether the minutes upright are known and lie between
// low and high, ends included.
func (u Upright) minutesBetween(low, high float64) bool {
	return u.Minutes != nil && between(*u.Minutes, low, high)
}

// Set is an orthostatic set with its finding and quality. Its JSON form is that
// of the published documents.
type Set struct {
	SetID     string    `json:"set_id"` // "" for an inferred set
	StartedAt time.Time `json:"started_at"`
	Kind      string    `json:"kind"`
	Baseline  *Baseline `json:"baseline"`
	Upright   []Upright `json:"upright"`

	SystolicDrop     *float64 `json:"systolic_drop"`      // mmHg, the largest
	DiastolicDrop    *float64 `json:"diastolic_drop"`     // mmHg, the largest
	PulseRise        *float64 `json:"pulse_rise"`         // beats/min, the largest
	PulseRisePercent *float64 `json:"pulse_rise_percent"` // of the baseline pulse

	Finding       string   `json:"finding"`
	Criteria      []string `json:"criteria"`
	Timing        Word     `json:"timing"`
	Sustained     Word     `json:"sustained"`
	PulseResponse Word     `json:"pulse_response"`
	PulseRatio    *float64 `json:"pulse_response_ratio"` // beats/min per mmHg
	LyingPressure Word     `json:"lying_pressure"`

	Symptoms     []string `json:"symptoms"`
	StoppedEarly bool     `json:"stopped_early"`
	Quality      string   `json:"quality"`
	QualityNotes []string `json:"quality_notes"`
	Facts        []string `json:"facts"`

	// NoBaseline is why there is no pressure at rest, as in Reading: a given set without one has
	// no baseline that could tell. It is no part of a document.
	NoBaseline Word `json:"no_baseline,omitempty"`

	// AtRest are the symptoms charted at the baseline: none of standing (S-SYMPTOMS), and not to
	// be lost. It is no part of a document.
	AtRest []string `json:"at_rest,omitempty"`
}

// NoUpright is why no pressure was taken upright, as in Reading; empty where one was, or where
// nothing tells.
func (s Set) NoUpright() Word {
	if s.Decisive() != nil {
		return ""
	}
	for _, u := range slices.Backward(s.Upright) {
		if u.WhyNone != "" {
			return u.WhyNone
		}
	}
	return ""
}

// Interpretable reports whether the set can carry a conclusion.
func (s Set) Interpretable() bool { return s.Finding != Inconclusive }

// TestedStanding reports whether a standing reading counts for drops.
func (s Set) TestedStanding() bool {
	return slices.ContainsFunc(s.Upright, func(u Upright) bool { return u.standing() && u.Counts() })
}

// Unread reports whether the set says nothing of pressures and has symptoms: dizzy on
// standing and no pressure taken is not nothing.
func (s Set) Unread() bool { return s.Finding == Inconclusive && len(s.Symptoms) > 0 }

// Meets reports whether the set met a criterion.
func (s Set) Meets(criterion string) bool {
	for _, c := range s.Criteria {
		if c == criterion {
			return true
		}
	}
	return false
}

// StoppedAlone reports whether criteria make a set positive by its symptoms alone.
func StoppedAlone(criteria []string) bool {
	return slices.Contains(criteria, CritStopped) && !slices.ContainsFunc(criteria, func(c string) bool {
		return c == CritSystolic || c == CritDiastolic || c == CritLow
	})
}

// DecidedBy is the first criterion that made a set positive and can be told with its
// figure in mmHg; "" where there is none.
func DecidedBy(criteria []string, systolicDrop, diastolicDrop, lowSystolic *float64) string {
	if StoppedAlone(criteria) {
		return CritStopped
	}
	for _, by := range []struct {
		criterion string
		figure    *float64
	}{{CritSystolic, systolicDrop}, {CritDiastolic, diastolicDrop}, {CritLow, lowSystolic}} {
		if slices.Contains(criteria, by.criterion) && by.figure != nil {
			return by.criterion
		}
	}
	return ""
}

// DecidedBy is the first criterion that made the set positive; "" where none did.
func (s Set) DecidedBy() string {
	return DecidedBy(s.Criteria, s.SystolicDrop, s.DiastolicDrop, s.LowSystolic())
}

// LowSystolic is the lowest standing systolic that compares with the baseline (F-LOW),
// nil where there is none.
func (s Set) LowSystolic() *float64 {
	var low *float64
	for n, u := range s.Upright {
		if u.standing() && u.Counts() && (low == nil || *u.Systolic < *low) {
			low = s.Upright[n].Systolic
		}
	}
	return low
}

// Inferred reports whether the set was assembled from times and positions.
func (s Set) Inferred() bool { return s.SetID == "" }

// Decisive is the upright reading that a line about a set names: the lowest
// systolic that compares with the baseline, else the first with a pressure.
func (s Set) Decisive() *Upright {
	var low, first *Upright
	for n, u := range s.Upright {
		if u.Systolic == nil {
			continue
		}
		if first == nil {
			first = &s.Upright[n]
		}
		if u.Counts() && (low == nil || *u.Systolic < *low.Systolic) {
			low = &s.Upright[n]
		}
	}
	if low == nil {
		return first
	}
	return low
}

// Stood reports whether a reading of the set was taken standing.
func (s Set) Stood() bool {
	return slices.ContainsFunc(s.Upright, func(u Upright) bool { return u.Position == clinical.Standing })
}
