package episodes_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// chart tells a stay of a 40-year-old on 4W, admitted at start, by what was
// charted, each thing known when it happened.
type chart []clinical.Version

func (c *chart) add(id string, at time.Time, body clinical.Body) {
	v := clinical.Version{Kind: body.FactKind(), SourceID: id, StayID: "S", RecordedAt: at, Stated: true, Status: clinical.Final, File: "f", Line: len(*c), Body: body}
	if v.Kind == clinical.KindStay {
		v.SourceID, v.StayID = id, id
	}
	if v.Kind == clinical.KindOrder {
		v.Status = clinical.Active
	}
	*c = append(*c, v)
}

func (c *chart) admit(birth string) {
	c.add("S", start, clinical.Stay{PatientID: "P", Unit: "4W", Bed: "4", BirthDate: birth, AdmittedAt: start})
}

// set charts a lying and a standing reading h hours after admission.
func (c *chart) set(id string, h, lying, standing float64, stopped bool) {
	rest, up := 5.0, 3.0
	var symptoms []string
	if stopped {
		symptoms = []string{"dizziness"}
	}
	c.add(id+"-1", after(h), clinical.Vitals{TakenAt: after(h), Systolic: &lying, Position: clinical.Lying, MinutesInPosition: &rest, Limb: "left arm"})
	c.add(id+"-2", after(h+0.05), clinical.Vitals{TakenAt: after(h + 0.05), Systolic: &standing, Position: clinical.Standing, MinutesInPosition: &up, StoppedEarly: stopped, Symptoms: symptoms, Limb: "left arm"})
}

// lyingOnly charts a set that was given up before standing.
func (c *chart) lyingOnly(id string, h, systolic float64) {
	rest := 5.0
	c.add(id, after(h), clinical.Vitals{TakenAt: after(h), Systolic: &systolic, Position: clinical.Lying, MinutesInPosition: &rest, StoppedEarly: true, Limb: "left arm"})
}

func (c *chart) order(id string, h float64, drug string) {
	dose, times := 4.0, 1.0
	c.add(id, after(h), clinical.Order{Drug: clinical.Drug{Text: drug}, StartAt: after(h), Dose: &dose, DoseUnit: "mg", TimesPerDay: &times, NewDrug: true})
}

func (c *chart) bundle(h float64) {
	for _, what := range clinical.Precautions {
		c.add("P "+what, after(h), clinical.Precaution{Precaution: what, StartedAt: after(h)})
	}
}

func (c chart) assess(h float64, p clinical.Policy) alerts.Assessment {
	d := trends.DigestOf(clinical.ChartAt("S", c, after(h)), p, time.UTC)
	return alerts.Assess(d, p, time.UTC, after(h))
}

// conditions writes what holds at an hour, one a line, "~" before what opens nothing.
func (c chart) conditions(h float64) string {
	p := policy.Default().Policy
	var out []string
	for _, cond := range episodes.Conditions(c.assess(h, p), p, time.Time{}) {
		line := fmt.Sprintf("%s %s", cond.Kind, strings.ReplaceAll(cond.Trigger, start.Format("2006-01-02"), "day"))
		if !cond.Opens {
			line = "~" + line
		}
		out = append(out, line)
	}
	return strings.Join(out, "; ")
}

func TestWhatAsksForAnEpisode(t *testing.T) {
	const young, old = "1986-01-01", "1940-01-01"
	cases := []struct {
		name string
		tell func(c *chart)
		at   float64
		want string
	}{
		{"nothing", func(c *chart) { c.admit(young) }, 100, ""},
		{"the admission screen is due", func(c *chart) { c.admit(old) }, 24, ""},
		{"the admission screen is overdue", func(c *chart) { c.admit(old) }, 24.1, "recheck_overdue R-ADMIT admission"},
		{"a fall", func(c *chart) {
			c.admit(young)
			c.add("F", after(2), clinical.Fall{FellAt: after(2), Injury: "none"})
			c.bundle(2)
		}, 3, "fall_without_set fall F"},
		{"a fall, precautions missing, overdue", func(c *chart) {
			c.admit(young)
			c.add("F", after(2), clinical.Fall{FellAt: after(2), Injury: "none"})
		}, 6.5, "fall_without_set fall F; recheck_overdue R-FALL F; precautions_missing stay"},
		{"a fall two days ago: never by silence", func(c *chart) {
			c.admit(young)
			c.add("F", after(2), clinical.Fall{FellAt: after(2), Injury: "none"})
			c.bundle(2)
		}, 50, "~fall_without_set fall F; recheck_overdue R-FALL F; recheck_overdue R-ADMIT admission"},
		{"a fall and a set after it", func(c *chart) {
			c.admit(young)
			c.add("F", after(2), clinical.Fall{FellAt: after(2), Injury: "none"})
			c.bundle(2)
			c.set("A", 3, 130, 128, false)
		}, 8, ""},
		{"an injury: nobody may do the recheck", func(c *chart) {
			c.admit(young)
			c.add("F", after(2), clinical.Fall{FellAt: after(2), Injury: "major"})
			c.bundle(2)
		}, 8, "clearance_owed clearance after fall F"}, // T-CLEARANCE: the provider's to decide
		{"stopped by symptoms", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 130, 120, true)
		}, 4, "tell_provider set of dayT10:00:00Z"},
		{"low on standing", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 110, 85, false)
		}, 4, "tell_provider set of dayT10:00:00Z"},
		{"low on standing by little", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 95, 88, false)
		}, 4, ""},
		{"told a day ago, no set since", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 110, 85, false)
		}, 30, "~tell_provider set of dayT10:00:00Z; recheck_overdue R-POSITIVE set of dayT10:00:00Z"},
		{"a set since", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 110, 85, false)
			c.set("B", 5, 120, 118, false)
		}, 6, ""},
		{"too low to stand", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 85, 82, false)
		}, 4, "tell_provider set of dayT10:00:00Z"},
		{"too low to stand, told a day ago, no set since", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 85, 82, false)
		}, 30, "~tell_provider set of dayT10:00:00Z; recheck_overdue R-REPEAT set of dayT10:00:00Z"},
		{"too low to stand, and a set since that cannot be read", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 85, 82, false)
			c.lyingOnly("B", 5, 104)
		}, 6, "~tell_provider set of dayT10:00:00Z"},
		{"too low to stand twice: the later one is told", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 85, 82, false)
			c.lyingOnly("B", 5, 84)
		}, 6, "tell_provider set of dayT12:00:00Z"},
		{"too low to stand, and a set since that can be read", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 85, 82, false)
			c.set("B", 5, 120, 118, false)
		}, 6, ""},
		{"too low to stand, stood up and stopped: one thing to tell", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 85, 60, true)
		}, 4, "tell_provider set of dayT10:00:00Z"},
		{"low on standing, then too low to stand: two things to tell", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 110, 85, false)
			c.lyingOnly("B", 5, 84)
		}, 6, "tell_provider set of dayT10:00:00Z; tell_provider set of dayT12:00:00Z"},
		{"positive with an alpha-1 blocker", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.order("O", 1, "doxazosin")
			c.set("A", 6, 140, 110, false)
		}, 7, "dose_review stay"},
		{"the same four days on: never by silence", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.order("O", 1, "doxazosin")
			c.set("A", 6, 140, 110, false)
		}, 102, "recheck_overdue R-POSITIVE set of dayT13:00:00Z; ~dose_review stay"},
		{"two drugs at once are one recheck", func(c *chart) {
			c.admit(young)
			c.order("O1", 14, "doxazosin")
			c.order("O2", 14, "furosemide")
			c.set("A", 15, 130, 128, false)
		}, 40, "recheck_overdue R-DRUG dayT21:00:00Z"},
		{"a value that cannot be", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.set("A", 3, 400, 120, false)
		}, 4, "data_contradiction C-IMPLAUSIBLE set of dayT10:00:00Z"},
		{"a fatal fall: no precaution, no set and nothing else is owed", func(c *chart) {
			c.admit(young)
			c.set("A", 1, 130, 100, false)
			c.add("F", after(2), clinical.Fall{FellAt: after(2), Injury: "death"})
		}, 4, ""},
		{"a fatal fall and a set after it", func(c *chart) {
			c.admit(young)
			c.add("F", after(2), clinical.Fall{FellAt: after(2), Injury: "death"})
			c.set("A", 3, 130, 100, false)
		}, 4, "data_contradiction C-FATAL fall F"},
		{"a fall before admission", func(c *chart) {
			c.admit(young)
			c.bundle(0)
			c.add("F", after(1), clinical.Fall{FellAt: after(-30), Injury: "none"})
			c.set("A", 3, 130, 128, false)
		}, 4, "data_contradiction C-BEFORE fall F"},
		{"a precaution that ended before it began", func(c *chart) {
			c.admit(young)
			end := after(1)
			c.add("B", after(3), clinical.Precaution{Precaution: "bed alarm", StartedAt: after(2), EndedAt: &end})
		}, 4, "data_contradiction C-ENDED precaution B"},
	}
	for _, tc := range cases {
		var c chart
		tc.tell(&c)
		if got := c.conditions(tc.at); got != tc.want {
			t.Errorf("%s:\n got %s\nwant %s", tc.name, got, tc.want)
		}
	}
}

// What people see change often must not change the identity: a late reading of a
// set, a corrected value, another order of the facts.
func TestAnIdentityOutlivesLateAndCorrectedRows(t *testing.T) {
	var c chart
	c.admit("1986-01-01")
	c.set("A", 3, 110, 85, false)
	before := c.conditions(4)
	low := 84.0
	c.add("A-0", after(3.08), clinical.Vitals{TakenAt: after(3.08), Systolic: &low, Position: clinical.Standing})
	c.add("A-2", after(3.5), clinical.Vitals{TakenAt: after(3.05), Systolic: &low, Position: clinical.Standing})
	if got := c.conditions(4); got != before {
		t.Errorf("a late and a corrected reading:\n got %s\nwant %s", got, before)
	}
	slices.Reverse(c)
	if got := c.conditions(4); got != before {
		t.Errorf("another order:\n got %s\nwant %s", got, before)
	}
}

// A given set is known by its set_id, even where its start changes.
func TestAGivenSetIsKnownByItsID(t *testing.T) {
	var c chart
	c.admit("1986-01-01")
	c.set("A", 3, 110, 85, false)
	for n, v := range c {
		if b, ok := v.Body.(clinical.Vitals); ok {
			b.SetID = "G1"
			c[n].Body = b
		}
	}
	before := c.conditions(4)
	if !strings.Contains(before, "tell_provider set G1") {
		t.Fatalf("got %s", before)
	}
	lying := 112.0
	c.add("A-9", after(3.01), clinical.Vitals{TakenAt: after(3.01), Systolic: &lying, Position: clinical.Lying, SetID: "G1"})
	if d := c.assess(4, policy.Default().Policy).Digest; !d.Sets[0].StartedAt.Equal(after(3.01)) {
		t.Fatalf("the set starts at %s: the test shows nothing", d.Sets[0].StartedAt)
	}
	if got := c.conditions(4); got != before {
		t.Errorf("a later lying reading:\n got %s\nwant %s", got, before)
	}
}

func TestOnePatientTwiceOnTheList(t *testing.T) {
	p := policy.Default().Policy
	list := func(patients ...string) (out []alerts.Assessment) {
		for n, patient := range patients {
			out = append(out, alerts.Assessment{At: after(5), Digest: trends.Digest{
				StayID: fmt.Sprint("S", n), Stay: clinical.Stay{PatientID: patient, Unit: "4W", AdmittedAt: after(-float64(n))},
			}})
		}
		return out
	}
	var got []string
	for _, c := range episodes.SceneOf("4W", list("P1", "P2", "P1", "", ""), p, after(5), time.Time{}).Holds {
		if c.Kind == episodes.DataContradiction {
			got = append(got, c.StayID+" "+c.Trigger)
		}
	}
	if want := "S0 C-TWICE with stay S2"; strings.Join(got, "; ") != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// A closed dose review is opened again by a new positive set or a drug started
// since, not by a dose given or the same order renewed.
func TestWhatIsNewEvidenceForADoseReview(t *testing.T) {
	p := policy.Default().Policy
	facts := func(c chart, h float64) []records.FactName {
		for _, cond := range episodes.Conditions(c.assess(h, p), p, time.Time{}) {
			if cond.Kind == episodes.DoseReview {
				return cond.Facts
			}
		}
		t.Fatal("no dose review is asked for")
		return nil
	}
	var c chart
	c.admit("1986-01-01")
	c.order("O", 1, "doxazosin")
	c.set("A", 6, 140, 110, false)
	before := facts(c, 7)
	dose := 4.0
	c.add("D", after(7), clinical.Dose{Drug: clinical.Drug{Text: "doxazosin"}, GivenAt: after(7), Dose: &dose, DoseUnit: "mg"})
	c[len(c)-1].Status = clinical.Completed
	if got := facts(c, 8); !slices.Equal(got, before) {
		t.Errorf("a dose given: %v, want %v", got, before)
	}
	c.order("O2", 9, "furosemide")
	if got := facts(c, 10); !slices.Contains(got, records.FactName{Kind: clinical.KindOrder, SourceID: "O2"}) {
		t.Errorf("a drug started: %v names no O2", got)
	}
	c.set("B", 11, 140, 110, false)
	if got := facts(c, 12); !slices.Contains(got, vital("B-1")) || slices.Contains(got, vital("A-1")) {
		t.Errorf("another positive set: %v", got)
	}
}

// A program that starts, or is restored, hours later counts from what the chart says.
func TestWhatIsOwedIsAsOldAsItsFallOrSet(t *testing.T) {
	p := policy.Default().Policy
	p.Precautions.InFeed = true
	var c chart
	c.admit("1986-01-01")
	c.order("O", 1, "doxazosin")
	c.set("A", 6, 140, 110, true)
	c.add("F", after(8), clinical.Fall{FellAt: after(8), Injury: "none"})
	ended := after(9)
	c.add("P", after(7), clinical.Precaution{Precaution: "bed alarm", StartedAt: after(7), EndedAt: &ended})
	w := newWard(t)
	w.scene(episodes.SceneOf("4W", []alerts.Assessment{c.assess(20, p)}, p, after(20), after(28)))
	want := map[records.EpisodeKind]float64{
		episodes.FallWithoutSet: 12, episodes.TellProvider: 14, episodes.PrecautionsMissing: 11, episodes.DoseReview: 14,
	}
	for kind, hours := range want {
		n := slices.IndexFunc(w.log, func(v records.EpisodeEvent) bool { return v.Kind == kind })
		if n < 0 {
			t.Errorf("%s is not owed", kind)
			continue
		}
		e := w.have[w.log[n].EpisodeID]
		if got := e.OwedFor(after(20)); got != time.Duration(hours*float64(time.Hour)) {
			t.Errorf("%s: owed for %s, want %v h", kind, got, hours)
		}
		if got := e.Age(after(21)); got != time.Hour {
			t.Errorf("%s: in the record for %s, want 1 h", kind, got)
		}
	}
}
