package opendata

import (
	"bytes"
	"cmp"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/app"
)

// program runs the commands of the program on one database.
type program struct{ database string }

// run runs a command and reads its document. It may end with 0, or with the code
// that also says something: a load with rows held back ends with 1.
func (p program) run(t *testing.T, into any, also int, args ...string) (code int) {
	t.Helper()
	var out, said bytes.Buffer
	env := func(name string) string {
		if name == "PLUMBLINE_DATABASE" {
			return p.database
		}
		return ""
	}
	args = append(args, "--format", "json")
	code = app.Run(t.Context(), args, env, strings.NewReader(""), &out, &said)
	if code != 0 && code != also {
		t.Fatalf("dashboard %s ended with %d:\n%s%s", strings.Join(args, " "), code, out.String(), said.String())
	}
	if err := json.Unmarshal(out.Bytes(), into); err != nil {
		t.Fatalf("dashboard %s: %v", strings.Join(args, " "), err)
	}
	return code
}

// summary is what a load says of itself.
type summary struct {
	Files      int `json:"files"`
	Unreadable int `json:"unreadable"`
	Rows       int `json:"rows"`
	Accepted   int `json:"accepted"`
	Unchanged  int `json:"unchanged"`
	Superseded int `json:"superseded"`
	Waiting    int `json:"waiting"`
	Skipped    int `json:"skipped"`
	Held       int `json:"quarantined"`
	Problems   []struct {
		SourceID string `json:"source_id"`
		Reason   string `json:"reason"`
	} `json:"problems"`
}

func (p program) load(t *testing.T, folder string) (s summary) {
	t.Helper()
	code := p.run(t, &s, 1, "load", folder)
	if want := s.Held + s.Unreadable; (code != 0) != (want > 0) {
		t.Errorf("load ended with %d, with %d rows held back and %d files unreadable", code, s.Held, s.Unreadable)
	}
	return s
}

// measurement is a baseline or an upright reading of a set.
type measurement struct {
	TakenAt       time.Time `json:"taken_at"`
	Position      string    `json:"position"`
	Rested        *float64  `json:"minutes_in_position"`
	Upright       *float64  `json:"minutes_upright"`
	MinutesFrom   *string   `json:"minutes_from"`
	Systolic      *float64  `json:"systolic"`
	Diastolic     *float64  `json:"diastolic"`
	Pulse         *float64  `json:"heart_rate"`
	SystolicDrop  *float64  `json:"systolic_drop"`
	DiastolicDrop *float64  `json:"diastolic_drop"`
	PulseRise     *float64  `json:"pulse_rise"`
}

// set is an orthostatic set, as published.
type set struct {
	SetID            string        `json:"set_id"`
	StartedAt        time.Time     `json:"started_at"`
	Kind             string        `json:"kind"`
	Baseline         *measurement  `json:"baseline"`
	Upright          []measurement `json:"upright"`
	SystolicDrop     *float64      `json:"systolic_drop"`
	DiastolicDrop    *float64      `json:"diastolic_drop"`
	PulseRise        *float64      `json:"pulse_rise"`
	PulseRisePercent *float64      `json:"pulse_rise_percent"`
	Finding          string        `json:"finding"`
	Criteria         []string      `json:"criteria"`
	Timing           *string       `json:"timing"`
	Sustained        *string       `json:"sustained"`
	PulseResponse    *string       `json:"pulse_response"`
	PulseRatio       *float64      `json:"pulse_response_ratio"`
	LyingPressure    *string       `json:"lying_pressure"`
	Symptoms         []string      `json:"symptoms"`
	StoppedEarly     bool          `json:"stopped_early"`
	Quality          string        `json:"quality"`
	QualityNotes     []string      `json:"quality_notes"`
	Facts            []string      `json:"facts"`
}

// inOrder sorts what stands in no order of meaning.
func inOrder(sets []set) []set {
	for _, s := range sets {
		slices.Sort(s.Criteria)
		slices.Sort(s.QualityNotes)
		slices.Sort(s.Facts)
	}
	return sets
}

// sets asks for the sets of one stay.
func (p program) sets(t *testing.T, stay string, at time.Time) []set {
	t.Helper()
	var doc struct {
		Sets []set `json:"sets"`
	}
	p.run(t, &doc, 0, "sets", "--stay", stay, "--as-of", stamp(at))
	return inOrder(doc.Sets)
}

// serial holds the findings over the sets of a stay, as published.
type serial struct {
	Sets            int        `json:"sets"`
	Interpretable   int        `json:"interpretable"`
	Positive        int        `json:"positive"`
	LastPositiveAt  *time.Time `json:"last_positive_at"`
	NegativesInARow int        `json:"negatives_in_a_row"`
	Cleared         bool       `json:"cleared"`
	Slope           *float64   `json:"slope_per_day"`
	SlopeLow        *float64   `json:"slope_low"`
	SlopeHigh       *float64   `json:"slope_high"`
	P               *float64   `json:"p"`
	Trend           string     `json:"trend"`
}

// change is a change of a drug, as published.
type change struct {
	Drug   string    `json:"drug"`
	Change string    `json:"change"`
	At     time.Time `json:"at"`
	From   *float64  `json:"from_daily_dose"`
	To     *float64  `json:"to_daily_dose"`
}

// sortChanges puts changes in order of time. Two of one drug may stand at one
// moment, by different routes, which are not published.
func sortChanges(changes []change) {
	slices.SortFunc(changes, func(a, b change) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Drug, b.Drug), strings.Compare(a.Change, b.Change),
			compareAmounts(a.From, b.From), compareAmounts(a.To, b.To))
	})
}

// compareAmounts puts an unknown amount first.
func compareAmounts(a, b *float64) int {
	switch {
	case a == nil && b == nil:
		return 0
	case a == nil:
		return -1
	case b == nil:
		return 1
	}
	return cmp.Compare(*a, *b)
}

// exposures are what surrounds the findings, as published.
type exposures struct {
	Load         *float64           `json:"bp_lowering_load"`
	LoadByGroup  map[string]float64 `json:"load_by_group"`
	LoadFrom     string             `json:"load_from"`
	Unrecognised []string           `json:"unrecognised_drugs"`
	WeightChange *float64           `json:"weight_change_kg"`
	Changes      []change           `json:"changes"`
}

// stay is what the ranked list says of a stay.
type stay struct {
	Serial    serial    `json:"serial"`
	Exposures exposures `json:"exposures"`
	// Flags tells of each flag that rests on the active drugs alone whether it
	// stands; Contributing are the drugs that D-FRID names.
	Flags        map[string]bool `json:"flags"`
	Contributing []string        `json:"contributing"`
}

// drugFlags rest on the active drugs alone.
var drugFlags = []string{"D-ALPHA", "D-CENTRAL", "D-NITRATE", "D-THREE", "D-TWO-DIURETICS", "D-FRID"}

// patient is one entry of the list.
type patient struct {
	StayID     string `json:"stay_id"`
	DoseReview struct {
		Flags []struct {
			Rule  string   `json:"rule"`
			Drugs []string `json:"drugs"`
		} `json:"flags"`
	} `json:"dose_review"`
	LatestSet *set `json:"latest_set"`
	stay
}

// list asks for the ranked list of the unit.
func (p program) list(t *testing.T, at time.Time) map[string]patient {
	t.Helper()
	var doc struct {
		Patients []patient `json:"patients"`
	}
	p.run(t, &doc, 0, "assess", "--unit", unit, "--as-of", stamp(at))
	out := map[string]patient{}
	for _, pt := range doc.Patients {
		pt.Flags, pt.Contributing = map[string]bool{}, []string{}
		for _, name := range drugFlags {
			pt.Flags[name] = false
		}
		for _, f := range pt.DoseReview.Flags {
			if slices.Contains(drugFlags, f.Rule) {
				pt.Flags[f.Rule] = true
			}
			if f.Rule == "D-FRID" {
				pt.Contributing = slices.Sorted(slices.Values(f.Drugs))
			}
		}
		if pt.LatestSet != nil {
			inOrder([]set{*pt.LatestSet})
		}
		slices.Sort(pt.Exposures.Unrecognised)
		sortChanges(pt.Exposures.Changes)
		out[pt.StayID] = pt
	}
	if len(out) != len(doc.Patients) {
		t.Errorf("the list names %d stays, %d of them different", len(doc.Patients), len(out))
	}
	return out
}
