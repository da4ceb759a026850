package alerts

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// From charted facts to what is owed, at the last moment before each boundary, on
// it and past it. A window of n hours before t is (t - n, t]. No published source
// gives a recheck interval in hours, nor a window for a tier: all of these numbers
// are the default policy's, and the site's to change.

// tick is the grain of the times that facts are kept with.
const tick = time.Microsecond

// charted is a stay with its facts; everything is charted when it happens.
type charted struct {
	stay     clinical.Stay
	versions []clinical.Version
}

// stayOf is a stay of an adult of an age, admitted 400 h before noon.
func stayOf(age int) charted {
	return charted{stay: clinical.Stay{
		PatientID: "P", Unit: "4W", BirthDate: fmt.Sprintf("%d-01-01", noon.Year()-age), AdmittedAt: hour(-400),
	}}
}

func (c charted) with(facts ...clinical.Version) charted {
	c.versions = append(slices.Clone(c.versions), facts...)
	return c
}

func fact(id string, status clinical.Status, b clinical.Body) clinical.Version {
	return clinical.Version{
		Kind: b.FactKind(), SourceID: id, StayID: "S", RecordedAt: b.OwnTime(), Stated: true, Status: status, Body: b,
	}
}

func (c charted) digestAt(t time.Time, p clinical.Policy) trends.Digest {
	return trends.DigestOf(clinical.ChartAt("S", append([]clinical.Version{{
		Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: c.stay,
	}}, c.versions...), t), p, time.UTC)
}

func (c charted) assess(t time.Time, p clinical.Policy) Assessment {
	return Assess(c.digestAt(t, p), p, time.UTC, t)
}

func (c charted) at(t time.Time) Assessment { return c.assess(t, clinical.DefaultPolicy()) }

// stood is a given set of five minutes lying and three standing, that starts at a
// moment; changes are made to the standing reading.
func stood(at time.Time, lying, standing float64, changes ...func(*clinical.Vitals)) []clinical.Version {
	id := at.Format(time.RFC3339Nano)
	up := clinical.Vitals{
		TakenAt: at.Add(3 * time.Minute), Systolic: &standing, Diastolic: ptr(50.0), Position: clinical.Standing,
		MinutesInPosition: ptr(3.0), SetID: id,
	}
	for _, change := range changes {
		change(&up)
	}
	return []clinical.Version{
		fact("lying "+id, clinical.Final, clinical.Vitals{
			TakenAt: at, Systolic: &lying, Diastolic: ptr(50.0), Position: clinical.Lying, MinutesInPosition: ptr(5.0), SetID: id,
		}),
		fact("standing "+id, clinical.Final, up),
	}
}

func dizzy(v *clinical.Vitals)     { v.Symptoms = []string{"dizziness"} }
func gaveUp(v *clinical.Vitals)    { v.Symptoms, v.StoppedEarly = []string{"dizziness"}, true }
func stoodLate(v *clinical.Vitals) { v.MinutesInPosition = ptr(10.0) } // counts for nothing without a drop

func fell(at time.Time) clinical.Version {
	return fact("fall", clinical.Final, clinical.Fall{FellAt: at, Injury: "none"})
}

func ordered(drug string, at time.Time) clinical.Version {
	return fact("order of "+drug, clinical.Active, clinical.Order{
		Drug: clinical.Drug{Text: drug}, Dose: ptr(4.0), DoseUnit: "mg", TimesPerDay: ptr(1.0), StartAt: at,
	})
}

// guardedStay has every precaution that may be asked for in place.
func (c charted) guarded() charted {
	for _, word := range clinical.Precautions[:6] {
		c = c.with(fact("p "+word, clinical.Final, clinical.Precaution{Precaution: word, StartedAt: hour(-300)}))
	}
	return c
}

// The triggers of each rule, all at noon, with the interval of the policy.
var demands = []struct {
	name     string
	stay     charted
	rule     string
	interval func(*clinical.RecheckPolicy) *float64
	hours    float64 // by default, in the interval's own unit times unit
	unit     time.Duration
}{
	{"a fall", stayOf(40).with(stood(hour(-1), 130, 128)...).with(fell(noon)),
		RFall, func(p *clinical.RecheckPolicy) *float64 { return &p.FallHours }, 4, time.Hour},
	{"stopped by symptoms", stayOf(40).with(stood(noon, 130, 128, gaveUp)...),
		RStopped, func(p *clinical.RecheckPolicy) *float64 { return &p.StoppedHours }, 4, time.Hour},
	{"a treatment", stayOf(40).with(stood(hour(-1), 130, 105)...).with(fact("t", clinical.Final, clinical.Treatment{GivenAt: noon, What: "fluid bolus"})),
		RTreated, func(p *clinical.RecheckPolicy) *float64 { return &p.TreatedHours }, 4, time.Hour},
	{"a positive set", stayOf(40).with(stood(noon, 130, 105)...),
		RPositive, func(p *clinical.RecheckPolicy) *float64 { return &p.PositiveHours }, 12, time.Hour},
	{"the third positive set", stayOf(40).with(stood(hour(-6), 130, 105)...).with(stood(hour(-3), 130, 105)...).with(stood(noon, 130, 105)...),
		RPositive, func(p *clinical.RecheckPolicy) *float64 { return &p.PositiveStableHours }, 24, time.Hour},
	{"symptoms alone", stayOf(40).with(stood(noon, 130, 128, dizzy)...),
		RRepeat, func(p *clinical.RecheckPolicy) *float64 { return &p.RepeatHours }, 12, time.Hour},
	{"a set that tells nothing", stayOf(40).with(stood(noon, 130, 128, stoodLate)...),
		RRepeat, func(p *clinical.RecheckPolicy) *float64 { return &p.RepeatHours }, 12, time.Hour},
	{"a drug that lowers the pressure", stayOf(40).with(stood(hour(-10), 130, 128)...).with(ordered("furosemide", noon)),
		RDrug, func(p *clinical.RecheckPolicy) *float64 { return &p.DrugHours }, 24, time.Hour},
	{"a tricyclic", stayOf(40).with(ordered("amitriptyline", noon)),
		RDrug, func(p *clinical.RecheckPolicy) *float64 { return &p.DrugHours }, 24, time.Hour},
	{"an admission at 80", func() charted {
		c := stayOf(80)
		c.stay.AdmittedAt = noon
		return c
	}(), RAdmit, func(p *clinical.RecheckPolicy) *float64 { return &p.AdmitHours }, 24, time.Hour},
	{"a set at 80", stayOf(80).with(stood(noon, 130, 128)...),
		RWeekly, func(p *clinical.RecheckPolicy) *float64 { return &p.WeeklyDays }, 7, 24 * time.Hour},
}

// Overdue is past the due time, due from 4 h before it (policy), both ends included.
func TestEachRecheckPassesThroughItsStatesOnTime(t *testing.T) {
	const soon = 4 * time.Hour
	for _, d := range demands {
		for _, times := range []float64{1, 1.5} { // the default, and a site that waits longer
			p := clinical.DefaultPolicy()
			interval := d.interval(&p.Recheck)
			if *interval != d.hours {
				t.Errorf("%s: the default is %v, and %v here", d.name, *interval, d.hours)
			}
			*interval *= times
			due := noon.Add(time.Duration(d.hours * times * float64(d.unit)))
			for _, c := range []struct {
				at   time.Time
				want string
			}{{due.Add(-soon - tick), Scheduled}, {due.Add(-soon), Due}, {due, Due}, {due.Add(tick), Overdue}} {
				if c.at.Before(noon.Add(3 * time.Minute)) {
					c.at = noon.Add(3 * time.Minute) // not charted before: due from the first moment on
					c.want = Due
				}
				r := d.stay.assess(c.at, p).Recheck
				if r.State != c.want || r.Rule != d.rule || r.DueAt == nil || !r.DueAt.Equal(due) {
					t.Errorf("%s, policy times %v, %v after it: %s by %s, due %v; want %s by %s, due %v",
						d.name, times, c.at.Sub(noon), r.State, r.Rule, r.DueAt, c.want, d.rule, due)
				}
			}
		}
	}
}

// From when on a set meets a demand: at the fall, just after a stopped set, 30 min
// after a treatment, 4 h after a drug (policy).
func TestASetMeetsADemandFromItsMomentOn(t *testing.T) {
	for _, c := range []struct {
		name string
		stay charted
		rule string
		from time.Duration // after the trigger at noon
	}{
		{"a fall", stayOf(40).with(fell(noon)), RFall, 0},
		{"stopped by symptoms", stayOf(40).with(stood(noon, 130, 128, gaveUp)...), RStopped, tick},
		{"a treatment", stayOf(40).with(stood(hour(-1), 130, 105)...).with(fact("t", clinical.Final, clinical.Treatment{GivenAt: noon, What: "transfusion"})), RTreated, 30 * time.Minute},
		{"a drug", stayOf(40).with(ordered("furosemide", noon)), RDrug, 4 * time.Hour},
	} {
		for _, off := range []time.Duration{-tick, 0, tick} {
			start := noon.Add(c.from + off)
			if off < 0 && c.from == tick {
				start = noon.Add(-tick) // a set of the same start would share its set_id here
			}
			a := c.stay.with(stood(start, 130, 128)...).at(hour(5))
			open := slices.ContainsFunc(a.Recheck.Open, func(i Instance) bool { return i.Rule == c.rule })
			if open != (off < 0) {
				t.Errorf("%s, a set that starts %v after it: %s is open: %v", c.name, start.Sub(noon), c.rule, open)
			}
		}
	}
}

// The windows of the tiers, in hours (policy): what happened at noon is in the
// window at once, until the last moment before its end.
func TestATierRuleHoldsForItsWindow(t *testing.T) {
	cleared := stayOf(40).with(stood(hour(-20), 130, 105)...).with(stood(hour(-8), 130, 128)...).with(stood(noon, 130, 128)...)
	for _, c := range []struct {
		rule  string
		stay  charted
		known time.Duration // after noon
		hours float64
	}{
		{TFall, stayOf(40).with(fell(noon)), 0, 24},
		{TFell, stayOf(40).with(fell(noon)), 0, 24},
		{TFell, stayOf(40).with(fell(noon)).with(stood(hour(1), 130, 128)...), 0, 24},
		{TStopped, stayOf(40).with(stood(noon, 130, 128, gaveUp)...), 3 * time.Minute, 24},
		{TLow, stayOf(40).with(stood(noon, 99, 89)...), 3 * time.Minute, 24},
		{TLowLying, stayOf(40).with(stood(noon, 89, 88)...), 3 * time.Minute, 24},
		{TGap, stayOf(40).with(stood(noon, 130, 105)...), 3 * time.Minute, 72},
		{TGap, stayOf(40).with(stood(noon, 130, 128, dizzy)...), 3 * time.Minute, 72},
		{TReview, stayOf(40).with(ordered("doxazosin", hour(-300))).with(stood(noon, 130, 105)...), 3 * time.Minute, 72},
		{TWatch, cleared, 3 * time.Minute, 72},
	} {
		end := noon.Add(time.Duration(c.hours * float64(time.Hour)))
		for _, m := range []struct {
			at   time.Time
			want bool
		}{{noon.Add(-tick), false}, {noon.Add(c.known), true}, {end.Add(-tick), true}, {end, false}} {
			if a := c.stay.at(m.at); hasReason(a, c.rule) != m.want {
				t.Errorf("%s, %v after it: holds %v (%s)", c.rule, m.at.Sub(noon), !m.want, rulesOf(a.Reasons))
			}
		}
	}
}

// A low standing systolic alone is published (ESC 2018, RCP 2017, both from memory);
// that it is pressing from a drop of 10 on is policy.
func TestALowStandingPressureIsPressingFromADropOfTen(t *testing.T) {
	for lying, want := range map[float64]string{98: TPositive, 99: TLow, 100: TLow} {
		a := stayOf(40).guarded().with(stood(noon, lying, 89)...).at(hour(1))
		if a.DecidedBy() != want {
			t.Errorf("%v to 89: decided by %s, want %s", lying, a.DecidedBy(), want)
		}
	}
}

// A balance in fluids of a steady 31.25 mL/h of output is -1500 mL in any 48 h.
func TestFluidLossAsksForASetFromItsThresholdOn(t *testing.T) {
	lost := func(per48h float64) charted {
		entry := func(id, direction, what string, ml float64) clinical.Version {
			v := fact(id, clinical.Final, clinical.Fluid{From: hour(-100), To: hour(100), Direction: direction, VolumeML: ml, What: what})
			v.RecordedAt = hour(-100)
			return v
		}
		return stayOf(40).with(entry("in", "in", "oral", 0), entry("out", "out", "urine", per48h*200/48))
	}
	for _, c := range []struct {
		ml   float64
		want bool
	}{{1499, false}, {1500, true}, {1501, true}} {
		if a := lost(c.ml).at(noon); (a.Recheck.Rule == RVolume) != c.want {
			t.Errorf("-%v mL in 48 h: recheck by %q", c.ml, a.Recheck.Rule)
		}
	}
	// A set in the last 12 h answers it: the early end of that window is outside.
	tested := lost(1500).with(stood(noon, 130, 128)...)
	for at, want := range map[time.Time]bool{hour(1): false, hour(12).Add(-tick): false, hour(12): true} {
		a := tested.at(at)
		if (a.Recheck.Rule == RVolume) != want || want && !a.Recheck.DueAt.Equal(at) {
			t.Errorf("%v after the set: recheck by %q, due %v", at.Sub(noon), a.Recheck.Rule, a.Recheck.DueAt)
		}
	}
}

// From 65 on every inpatient is assessed, from 50 with a condition that carries a
// risk: NICE NG249 (seen, rcp.ac.uk). The program takes 65, and at any age the
// conditions and drugs of its rules.
func TestTheAdmissionScreenIsOwedFromSixtyFiveOn(t *testing.T) {
	for _, c := range []struct {
		born, code string
		want       bool
	}{
		{"1961-11-20", "", true},  // 65 at noon
		{"1961-11-21", "", false}, // tomorrow
		{"1962-01-01", "R29.6", true}, {"1962-01-01", "G20", true}, {"1962-01-01", "I50.9", false},
		{"", "", true}, {"1990", "", true}, // unknown and partial: counts as 65
	} {
		s := stayOf(64)
		s.stay.BirthDate = c.born
		if c.code != "" {
			v := fact("c", clinical.Final, clinical.Condition{ICD10: c.code})
			v.RecordedAt = hour(-300)
			s = s.with(v)
		}
		if a := s.at(noon); (a.Recheck.Rule == RAdmit) != c.want {
			t.Errorf("born %q, coded %q: recheck by %q", c.born, c.code, a.Recheck.Rule)
		}
	}
}

// A precaution is in place from its start until its end, that moment excluded.
func TestAPrecautionIsMissingUpToItsStartAndFromItsEnd(t *testing.T) {
	c := stayOf(40).with(stood(hour(-1), 130, 105)...)
	for _, word := range clinical.DefaultPolicy().Precautions.Bundle[1:] {
		c = c.with(fact("p "+word, clinical.Final, clinical.Precaution{Precaution: word, StartedAt: hour(-300)}))
	}
	moved := fact("p", clinical.Final, clinical.Precaution{Precaution: "assisted rising", StartedAt: noon, EndedAt: ptr(hour(2))})
	moved.RecordedAt = hour(-1) // planned
	c = c.with(moved)
	for at, missing := range map[time.Time]bool{noon.Add(-tick): true, noon: false, hour(2).Add(-tick): false, hour(2): true} {
		a := c.at(at)
		want := ""
		if missing {
			want = "assisted rising"
		}
		if strings.Join(a.Precautions.Missing, ", ") != want || hasReason(a, TGap) != missing || hasReason(a, TPrecaution) != missing {
			t.Errorf("%v after its start: missing %v, %s", at.Sub(noon), a.Precautions.Missing, rulesOf(a.Reasons))
		}
	}
}

// Thresholds and windows of the dose review (policy): lying under 120; a start in
// the 72 h before the set; two sets 1 to 4 h after a dose, ends included.
func TestDoseReviewFlagsStandFromTheirBoundariesOn(t *testing.T) {
	raised := func(a Assessment, rule string) bool {
		return slices.ContainsFunc(a.Review.Flags, func(f Flag) bool { return f.Rule == rule })
	}
	for lying, want := range map[float64]bool{119: true, 120: false, 121: false} {
		a := stayOf(40).with(ordered("lisinopril", hour(-300))).with(stood(noon, lying, lying-2)...).at(hour(1))
		if raised(a, DRoom) != want {
			t.Errorf("lying %v: D-ROOM stands: %v", lying, !want)
		}
	}
	for before, want := range map[time.Duration]bool{72 * time.Hour: false, 72*time.Hour - tick: true, 0: true, -tick: false} {
		a := stayOf(40).with(ordered("lisinopril", noon.Add(-before))).with(stood(noon, 130, 105)...).at(hour(1))
		if raised(a, DRecent) != want {
			t.Errorf("started %v before the set: D-RECENT stands: %v", before, !want)
		}
	}
	for after, want := range map[time.Duration]bool{
		time.Hour - tick: false, time.Hour: true, 4 * time.Hour: true, 4*time.Hour + tick: false,
	} {
		c := stayOf(40).with(stood(hour(-24), 130, 105)...).with(stood(noon, 130, 105)...)
		for n, set := range []time.Time{hour(-24), noon} {
			c = c.with(fact(fmt.Sprint("dose ", n), clinical.Completed, clinical.Dose{
				Drug: clinical.Drug{Text: "lisinopril"}, GivenAt: set.Add(-after), Dose: ptr(10.0), DoseUnit: "mg",
			}))
		}
		if raised(c.at(hour(1)), DPeak) != want {
			t.Errorf("two sets %v after a dose: D-PEAK stands: %v", after, !want)
		}
	}
}

// A patient who cannot stay up is a finding by itself (common practice, no source),
// with no upright pressure at all: pressing, to be repeated, and with a bed alarm.
func TestAPatientWhoCannotStayUpIsPressing(t *testing.T) {
	for name, facts := range map[string][]clinical.Version{
		"no pressure standing": stood(noon, 130, 0, gaveUp, func(v *clinical.Vitals) { v.Systolic, v.Diastolic = nil, nil }),
		"no further than lying": {fact("l", clinical.Final, clinical.Vitals{
			TakenAt: noon, Systolic: ptr(130.0), Diastolic: ptr(50.0), Position: clinical.Lying,
			Symptoms: []string{"faintness"}, StoppedEarly: true,
		})},
	} {
		a := stayOf(40).with(facts...).at(hour(0.1))
		if a.Tier != Now || a.DecidedBy() != TStopped || a.Recheck.Rule != RStopped || !slices.Contains(a.Precautions.Missing, "bed alarm") {
			t.Errorf("%s: %s by %s, recheck by %q, missing %v", name, a.Tier, a.DecidedBy(), a.Recheck.Rule, a.Precautions.Missing)
		}
		if s := a.Digest.LatestSet(); s == nil || s.Finding != trends.Positive || s.SystolicDrop != nil {
			t.Errorf("%s: %+v", name, s)
		}
	}
}

// D-UNKNOWN stands by itself; it asks for a review only where no blood-pressure-lowering
// drug is known to be active.
func TestAnUnknownDrugAsksForAReviewOnlyByItself(t *testing.T) {
	unknown, known := ordered("study drug", hour(-300)), ordered("lisinopril", hour(-300))
	for name, tc := range map[string]struct {
		stay   charted
		stands bool
		asks   bool
	}{
		"alone":                        {stayOf(40).with(unknown).with(stood(noon, 130, 105)...), true, true},
		"beside a known one":           {stayOf(40).with(unknown, known).with(stood(noon, 130, 105)...), true, false},
		"no positive set":              {stayOf(40).with(unknown).with(stood(noon, 130, 125)...), true, false},
		"none, and a positive set":     {stayOf(40).with(known).with(stood(noon, 130, 105)...), false, false},
		"positive 72 h ago or earlier": {stayOf(40).with(unknown).with(stood(hour(-72), 130, 105)...), true, false},
	} {
		a := tc.stay.at(hour(1))
		if stands := flag(t, a, DUnknown).Rule != ""; stands != tc.stands || a.Review.Needed != tc.asks {
			t.Errorf("%s: stands %v, needed %v (%s)", name, stands, a.Review.Needed, flagsOf(a.Review))
		}
		if tc.asks && !hasReason(a, TReview) {
			t.Errorf("%s: no T-REVIEW", name)
		}
	}
}
