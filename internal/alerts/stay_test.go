package alerts

import (
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// noon is the moment asked; times of these tests are hours from it.
var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

func hour(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }

func ptr[T any](v T) *T { return &v }

// young is a stay of a 40-year-old of whom nothing is known: not at risk.
// Admitted 100 hours ago.
func young() trends.Digest {
	return trends.Digest{
		StayID: "S", AsOf: noon, Serial: trends.Serial{Trend: trends.TooFew},
		Stay: clinical.Stay{PatientID: "P", Unit: "4W", Bed: "1", BirthDate: "1986-01-01", AdmittedAt: hour(-100)},
	}
}

// set is a lying-to-standing set of 140/80 with a drop of 25 where positive.
func set(at float64, finding string, criteria ...string) trends.Set {
	drop := 2.0
	if finding == trends.Positive {
		drop = 25
		if len(criteria) == 0 {
			criteria = []string{trends.CritSystolic}
		}
	}
	standing := 140 - drop
	return trends.Set{
		StartedAt: hour(at), Kind: trends.LyingToStanding, Finding: finding, Criteria: criteria,
		Baseline: &trends.Baseline{TakenAt: hour(at), Position: clinical.Lying, Systolic: ptr(140.0), Diastolic: ptr(80.0)},
		Upright: []trends.Upright{{
			TakenAt: hour(at + 0.05), Position: clinical.Standing, Systolic: &standing, Diastolic: ptr(80.0), Minutes: ptr(3.0), SystolicDrop: &drop,
		}},
		SystolicDrop: &drop, LyingPressure: trends.UsualLying, Quality: trends.Usable,
		Facts: []string{"set@" + time.Duration(at*float64(time.Hour)).String()},
	}
}

func positive(at float64, criteria ...string) trends.Set {
	return set(at, trends.Positive, criteria...)
}
func negative(at float64) trends.Set   { return set(at, trends.Negative) }
func symptoms(at float64) trends.Set   { return set(at, trends.SymptomsOnly) }
func unreadable(at float64) trends.Set { return set(at, trends.Inconclusive) }

func withSets(d trends.Digest, sets ...trends.Set) trends.Digest {
	d.Sets = sets
	return d
}

func withFall(d trends.Digest, at float64, injury string) trends.Digest {
	d.Falls = append(slices.Clone(d.Falls), trends.FallFact{SourceID: "fall", At: hour(at), Injury: injury})
	return d
}

// change is a step of the ordered dose of a drug.
func change(drug, kind string, at float64, lowering, owes bool) trends.Change {
	return trends.Change{Drug: drug, Change: kind, At: hour(at), Lowering: lowering, OwesRecheck: owes, Orders: []string{"order of " + drug}}
}

func withChanges(d trends.Digest, changes ...trends.Change) trends.Digest {
	d.Changes = changes
	return d
}

// codes are the ATC codes of the drugs of these tests.
var codes = map[string]string{
	"furosemide": "C03CA01", "bumetanide": "C03CA02", "spironolactone": "C03DA01", "lisinopril": "C09AA03", "amlodipine": "C08CA01",
	"metoprolol": "C07AB02", "doxazosin": "C02CA04", "tamsulosin": "G04CA02", "clonidine": "C02AC01", "hydralazine": "C02DB02",
	"minoxidil": "C02DC01", "isosorbide mononitrate": "C01DA14", "sertraline": "N06AB06", "midodrine": "C01CA17", "digoxin": "C01AA05",
	"diazoxide": "C02DA01",
}

func withDrugs(d trends.Digest, names ...string) trends.Digest {
	for _, n := range names {
		d.Ordered = append(d.Ordered, trends.Ordered{Substance: trends.Substance{Name: n, ATC: codes[n]}, Orders: []string{"order of " + n}})
	}
	return d
}

// atRisk makes the stay one that is screened, without a drug or a fall.
func atRisk(d trends.Digest) trends.Digest {
	d.Stay.BirthDate = "1946-01-01"
	return d
}

// dry charts a usable balance over 48 h.
func dry(d trends.Digest, net float64) trends.Digest {
	d.Fluids = []trends.FluidEntry{
		{SourceID: "in", From: hour(-48), To: noon, Direction: "in", VolumeML: 1000, What: "oral"},
		{SourceID: "out", From: hour(-48), To: noon, Direction: "out", VolumeML: 1000 - net, What: "urine"},
	}
	return d
}

func cleared(d trends.Digest, at float64) trends.Digest {
	d.Serial.Cleared, d.Serial.ClearedAt = true, ptr(hour(at))
	return d
}

func assess(d trends.Digest) Assessment {
	return Assess(d, clinical.DefaultPolicy(), time.UTC, noon)
}

func assessWith(d trends.Digest, change func(*clinical.Policy)) Assessment {
	p := clinical.DefaultPolicy()
	change(&p)
	return Assess(d, p, time.UTC, noon)
}

func rulesOf(reasons []Reason) string {
	var out []string
	for _, r := range reasons {
		out = append(out, r.Rule)
	}
	return strings.Join(out, " ")
}

func flagsOf(r Review) string {
	var out []string
	for _, f := range r.Flags {
		out = append(out, f.Rule)
	}
	return strings.Join(out, " ")
}

func hasReason(a Assessment, rule string) bool {
	return slices.ContainsFunc(a.Reasons, func(r Reason) bool { return r.Rule == rule })
}

func flag(t *testing.T, a Assessment, rule string) Flag {
	t.Helper()
	for _, f := range a.Review.Flags {
		if f.Rule == rule {
			return f
		}
	}
	return Flag{}
}
