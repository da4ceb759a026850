package alerts

import (
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

func clearedAt(d trends.Digest, at ...float64) trends.Digest {
	d.Clearances = nil
	for _, h := range at {
		d.Clearances = append(d.Clearances, trends.ClearanceFact{At: hour(h)})
	}
	return d
}

// foundAt makes the injury of the last fall one that was recorded later.
func foundAt(d trends.Digest, at float64) trends.Digest {
	d.Falls = slices.Clone(d.Falls)
	d.Falls[len(d.Falls)-1].FoundAt = hour(at)
	return d
}

func fractured(d trends.Digest, code string, since float64) trends.Digest {
	d.Conditions = append(slices.Clone(d.Conditions), trends.Coded{SourceID: "c " + code, Code: code, Since: hour(since)})
	return d
}

func missing(a Assessment) string { return strings.Join(a.Recheck.Missing, ", ") }

// What ends the block after an injury, and what is said then.
func TestWhatEndsTheBlockAfterAnInjury(t *testing.T) {
	fell := func(injury string, sets ...trends.Set) trends.Digest {
		return withFall(withSets(young(), sets...), -10, injury)
	}
	sat := negative(-5)
	sat.Upright = []trends.Upright{{Position: "sitting", SystolicDrop: ptr(2.0), Systolic: ptr(138.0)}}
	fainted := positive(-5, trends.CritStopped)
	for _, c := range []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"nothing", fell("major"), InjuryUncleared},
		{"a clearance before it", clearedAt(fell("major"), -10.01), InjuryUncleared},
		{"a clearance at it", clearedAt(fell("major"), -10), ""},
		{"a clearance after it", clearedAt(fell("moderate"), -1), ""},
		{"a set at it", fell("major", negative(-10)), InjuryNoClearance},
		{"a set before it", fell("major", negative(-10.01)), InjuryUncleared},
		{"a positive set", fell("major", positive(-5)), InjuryNoClearance},
		{"sitting up lifts nothing", fell("major", sat), InjuryUncleared},
		{"fainting lifts nothing", fell("major", fainted), InjuryUncleared},
		{"one that cannot be read lifts nothing", fell("major", unreadable(-5)), InjuryUncleared},
		{"a set, then a clearance", clearedAt(fell("major", negative(-5)), -4), ""},
		{"found later, a set between", foundAt(fell("major", negative(-5)), -4), InjuryUncleared},
		{"found later, a set at that", foundAt(fell("major", negative(-4)), -4), InjuryNoClearance},
		{"found later, a clearance between", foundAt(clearedAt(fell("major"), -5), -4), InjuryUncleared},
		{"found before the fall is timed", foundAt(fell("major", negative(-10)), -12), InjuryNoClearance},
		{"one lifted by a set, one that blocks", withFall(fell("major", negative(-5)), -3, "major"), InjuryUncleared},
		{"one cleared, one that a set has lifted", withFall(clearedAt(fell("major", negative(-5)), -9), -8, "moderate"), InjuryNoClearance},
		{"not charted", fell(""), InjuryUnknown},
		{"not charted, a clearance at it", clearedAt(fell(""), -10), ""},
		{"not charted, a set at it", fell("", negative(-10)), ""},
		{"not charted, fainting", fell("", fainted), InjuryUnknown},
		{"not charted, sitting", fell("", sat), InjuryUnknown},
		{"minor", fell("minor"), ""},
		{"a death", withFall(fell("major"), -9, "death"), ""},
	} {
		a := assess(c.stay)
		if got := missing(a); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
		if blocked := a.Recheck.State == Blocked; blocked != (c.want == InjuryUncleared) || hasReason(a, TClearance) != blocked {
			t.Errorf("%s: %s, reasons %s", c.name, a.Recheck.State, rulesOf(a.Reasons))
		}
	}
}

// The sentences stand in every state, in their order; that on walking only while a
// recheck is owed, and last.
func TestWhatIsSaidBeforeStanding(t *testing.T) {
	d := fractured(withFall(withFall(withSets(young(), negative(-5)), -10, "major"), -3, ""), "S3200", -50)
	d.Stay.NotAmbulatory = true
	want := []string{InjuryNoClearance, InjuryUnknown, FractureCoded + " S32.00", CannotWalk}
	a := assess(d)
	if !slices.Equal(a.Recheck.Missing, want) || a.Recheck.State != Blocked {
		t.Errorf("owed: %s, %v", a.Recheck.State, a.Recheck.Missing)
	}
	if got := Hindrances(d); !slices.Equal(got, want) {
		t.Errorf("at the bedside: %v", got)
	}
	d = fractured(young(), "S72", -50)
	d.Stay.NotAmbulatory = true
	if a := assess(d); a.Recheck.State != NotNeeded || missing(a) != FractureCoded+" S72" {
		t.Errorf("nothing owed: %s, %v", a.Recheck.State, a.Recheck.Missing)
	}
	quiet := withFall(young(), -60, "major") // of a young patient whose set since met every demand
	quiet.Sets = []trends.Set{negative(-59)}
	if a := assess(quiet); missing(a) != InjuryNoClearance {
		t.Errorf("scheduled: %s, %v", a.Recheck.State, a.Recheck.Missing)
	}
}

func TestCodedFractures(t *testing.T) {
	for _, c := range []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"none", fractured(young(), "S52", -5), ""},
		{"no dot without more", fractured(young(), "T08", -5), "T08"},
		{"a dot after the third", fractured(young(), "M8445XA", -5), "M84.45XA"},
		{"M84.2 is none", fractured(young(), "M842", -5), ""},
		{"M84.8 is none", fractured(young(), "M848", -5), ""},
		{"a clearance at its recording", clearedAt(fractured(young(), "S320", -5), -5), "S32.0"},
		{"a clearance after it", clearedAt(fractured(young(), "S320", -5), -4.99), ""},
		{"the latest", fractured(fractured(young(), "S320", -5), "S720", -4), "S72.0"},
		{"of two at once the smallest", fractured(fractured(young(), "S720", -5), "S320", -5), "S32.0"},
		{"the one not cleared", clearedAt(fractured(fractured(young(), "S320", -9), "S720", -4), -6), "S72.0"},
		{"a set clears none", withSets(fractured(young(), "S320", -9), negative(-5)), "S32.0"},
	} {
		got := ""
		for _, word := range assess(c.stay).Recheck.Missing {
			if code, ok := FractureOf(word); ok {
				got += code
			}
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	for _, prefix := range strings.Fields("S02 S12 S22 S32 S42 S72 S82 S92 T02 T08 T12 M80 M843 M844 M845 M846 M847 M97") {
		if a := assess(fractured(young(), prefix+"1", -5)); a.Recheck.State != NotNeeded || len(a.Recheck.Missing) != 1 || hasReason(a, TClearance) {
			t.Errorf("%s: %s, %v", prefix, a.Recheck.State, a.Recheck.Missing)
		}
	}
}

func TestFreshness(t *testing.T) {
	list := func(newest ...float64) []Assessment {
		var out []Assessment
		for _, h := range newest {
			d := young()
			if h < 99 {
				d.NewestVitals = ptr(hour(h))
			}
			out = append(out, assess(d))
		}
		return out
	}
	for _, c := range []struct {
		name   string
		list   []Assessment
		newest float64
		stale  bool
	}{
		{"nobody is listed", nil, 99, false},
		{"no reading at all", list(99), 99, true},
		{"4 h old", list(-4), -4, false},
		{"over 4 h old", list(-4.01), -4.01, true},
		{"the newest of all counts", list(-9, 99, -1), -1, false},
		{"wherever it stands", list(-1, -9, 99), -1, false},
	} {
		f := FreshnessOf(c.list, clinical.DefaultPolicy().Unit, noon)
		if f.Stale != c.stale || (f.Newest == nil) != (c.newest == 99) || f.Newest != nil && !f.Newest.Equal(hour(c.newest)) {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}

// A reason that would ask for something says of what fall the patient died, and so it does where
// a set was taken since: that the chart contradicts itself is told by C-FATAL alone.
func TestReasonsSayThatThePatientDied(t *testing.T) {
	d := withSets(young(), positive(-40))
	d.Falls = []trends.FallFact{{SourceID: "F", At: hour(-30), Injury: "death"}}
	of := func(a Assessment) map[string]*time.Time {
		out := map[string]*time.Time{}
		for _, r := range a.Reasons {
			switch f := r.Figures.(type) {
			case GapFigures:
				out[r.Rule] = f.DiedOf
			case MissingFigures:
				out[r.Rule] = f.DiedOf
			}
		}
		return out
	}
	for rule, at := range of(Assess(d, clinical.DefaultPolicy(), time.UTC, noon)) {
		if at == nil || !at.Equal(hour(-30)) {
			t.Errorf("%s: %v", rule, at)
		}
	}
	d.Sets = append(d.Sets, negative(-2))
	got := of(Assess(d, clinical.DefaultPolicy(), time.UTC, noon))
	if at, holds := got[TPrecaution]; !holds || at == nil || !at.Equal(hour(-30)) {
		t.Errorf("after a set since: %v", got)
	}
}
