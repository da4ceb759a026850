package alerts

import (
	"fmt"
	"strings"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// open writes the unmet demands as "rule@hours due".
func open(a Assessment) string {
	var out []string
	for _, i := range a.Recheck.Open {
		out = append(out, fmt.Sprintf("%s@%v", i.Rule, i.Due.Sub(noon).Hours()))
	}
	return strings.Join(out, " ")
}

// withDizziness gives a set a symptom.
func withDizziness(s trends.Set) trends.Set {
	s.Symptoms = []string{"dizziness"}
	return s
}

func treated(d trends.Digest, at float64, what string) trends.Digest {
	d.Treatments = append(d.Treatments, trends.TreatmentFact{SourceID: "treatment", At: hour(at), What: what})
	return d
}

// No published source gives an interval in hours: every number is policy.
func TestWhatOwesARecheckAndWhatMeetsIt(t *testing.T) {
	chair := unreadable(-3)
	chair.Kind = trends.LyingToSitting
	chairStopped := chair
	chairStopped.StoppedEarly = true
	chairGiven := chair
	chairGiven.SetID = "A"
	stopped := func(at float64) trends.Set { return positive(at, trends.CritStopped) }
	low := func(at float64) trends.Set { return positive(at, trends.CritSystolic, trends.CritLow) }
	worse := func(d trends.Digest) trends.Digest {
		d.Serial.Trend = trends.Worsening
		return d
	}
	up := func(kind string, at float64) trends.Change { return change("furosemide", kind, at, true, true) }

	cases := []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"nothing", young(), ""},
		{"R-FALL: 4 h after a fall; the stay is at risk now", withFall(young(), -1, "none"), "R-ADMIT@-76 R-FALL@3"},
		{"R-FALL: met by a set at the fall", withFall(withSets(young(), negative(-1)), -1, "none"), "R-WEEKLY@167"},
		{"R-FALL: not by one before it", withFall(withSets(young(), negative(-1.01)), -1, "none"), "R-FALL@3 R-WEEKLY@166.99"},
		{"R-FALL: not by one that cannot be read", withFall(withSets(young(), negative(-5), unreadable(-0.5)), -1, "none"), "R-FALL@3 R-WEEKLY@163"},
		{"after a death no rule is open", withFall(withSets(young(), negative(-5)), -1, "death"), ""},
		{"R-STOPPED: 4 h after", withSets(young(), stopped(-1)), "R-STOPPED@3 R-POSITIVE@11"},
		{"R-STOPPED: met by a later set", withSets(young(), stopped(-2), positive(-1)), "R-POSITIVE@11"},
		{"R-STOPPED: a set of the same start does not", withSets(young(), stopped(-2), positive(-2)), "R-STOPPED@2 R-POSITIVE@10"},
		{"R-STOPPED: nor one that cannot be read", withSets(young(), stopped(-2), unreadable(-1)), "R-STOPPED@2 R-POSITIVE@10"},
		{"R-TREATED: 4 h after", treated(withSets(young(), positive(-3)), -1, "fluid bolus"), "R-TREATED@3 R-POSITIVE@9"},
		{"R-TREATED: met from 30 min after", treated(withSets(young(), positive(-3), positive(-0.5)), -1, "fluid bolus"), "R-POSITIVE@11.5"},
		{"R-TREATED: not before", treated(withSets(young(), positive(-3), positive(-0.51)), -1, "transfusion"), "R-TREATED@3 R-POSITIVE@11.49"},
		{"R-TREATED: other treatment", treated(withSets(young(), positive(-3)), -1, "other"), "R-POSITIVE@9"},
		{"R-TREATED: no positive set before it", treated(withSets(young(), positive(-1)), -1, "compression"), "R-POSITIVE@11"},
		{"R-POSITIVE: 12 h after the latest set that can be read", withSets(young(), positive(-9), negative(-5), unreadable(-1)), "R-POSITIVE@7"},
		{"R-POSITIVE: or after the latest up", withChanges(withSets(young(), positive(-9)), up(trends.Raised, -2)), "R-POSITIVE@10 R-DRUG@22"},
		{"R-POSITIVE: an up before the set is not the later", withChanges(withSets(young(), positive(-9)), up(trends.Raised, -14)), "R-POSITIVE@3"},
		{"R-POSITIVE: cleared", cleared(withSets(young(), positive(-30), negative(-20), negative(-5)), -5), ""},
		{"R-POSITIVE: 24 h once three are alike", withSets(young(), positive(-9), positive(-6), positive(-3)), "R-POSITIVE@21"},
		{"R-POSITIVE: passing over what cannot be read", withSets(young(), positive(-9), positive(-6), unreadable(-5), positive(-3)), "R-POSITIVE@21"},
		{"R-POSITIVE: two are too few", withSets(young(), positive(-6), positive(-3)), "R-POSITIVE@9"},
		{"R-POSITIVE: a negative among three", withSets(young(), positive(-9), negative(-6), positive(-3)), "R-POSITIVE@9"},
		{"R-POSITIVE: one of three stopped", withSets(young(), stopped(-9), positive(-6), positive(-3)), "R-POSITIVE@9"},
		{"R-POSITIVE: one of three low", withSets(young(), positive(-9), low(-6), positive(-3)), "R-POSITIVE@9"},
		{"R-POSITIVE: stopped before the three", withSets(young(), stopped(-12), positive(-9), positive(-6), positive(-3)), "R-POSITIVE@21"},
		{"R-POSITIVE: the drop is growing", worse(withSets(young(), positive(-9), positive(-6), positive(-3))), "R-POSITIVE@9"},
		{"R-REPEAT: symptoms only", withSets(young(), symptoms(-3)), "R-REPEAT@9"},
		{"R-REPEAT: cannot be read", withSets(young(), unreadable(-3)), "R-REPEAT@9"},
		{"R-REPEAT: told in the 12 h before", withSets(young(), negative(-14.9), unreadable(-3)), ""},
		{"R-REPEAT: told 12 h before", withSets(young(), negative(-15), unreadable(-3)), "R-REPEAT@9"},
		{"R-REPEAT: symptoms only tell nothing", withSets(young(), symptoms(-5), unreadable(-3)), "R-REPEAT@9"},
		{"R-REPEAT: cannot be read and dizzy, told before", withSets(young(), negative(-5), withDizziness(unreadable(-3))), "R-REPEAT@9"},
		{"R-REPEAT: dizzy in the chair", withSets(young(), withDizziness(chair)), "R-REPEAT@9"},
		{"R-REPEAT: only of the latest set", withSets(young(), unreadable(-30), negative(-3)), ""},
		{"R-REPEAT: a patient put in a chair", withSets(young(), chair), ""},
		{"R-REPEAT: stopped in the chair", withSets(young(), chairStopped), "R-REPEAT@9"},
		{"R-REPEAT: a given set of sitting", withSets(young(), chairGiven), "R-REPEAT@9"},
		{"R-DRUG: started", withChanges(young(), up(trends.Started, -1)), "R-DRUG@23"},
		{"R-DRUG: resumed", withChanges(young(), up(trends.Resumed, -1)), "R-DRUG@23"},
		{"R-DRUG: lowered", withChanges(young(), up(trends.Lowered, -1)), ""},
		{"R-DRUG: by another route", withChanges(young(), up(trends.RouteChanged, -1)), ""},
		{"R-DRUG: a drug that owes none", withChanges(young(), change("sertraline", trends.Started, -1, false, false)), ""},
		{"R-DRUG: met from 4 h after", withChanges(withSets(young(), negative(-6)), up(trends.Started, -10)), ""},
		{"R-DRUG: not before", withChanges(withSets(young(), negative(-6.1)), up(trends.Started, -10)), "R-DRUG@14"},
		{"R-VOLUME: -1500 mL, no set", dry(young(), -1500), "R-VOLUME@0"},
		{"R-VOLUME: -1499 mL", dry(young(), -1499), ""},
		{"R-VOLUME: a set in the last 12 h", dry(withSets(young(), negative(-11.9)), -1500), ""},
		{"R-VOLUME: a set 12 h ago", dry(withSets(young(), negative(-12)), -1500), "R-VOLUME@0"},
		{"R-VOLUME: only one that cannot be read", dry(withSets(young(), negative(-20), unreadable(-10)), -1500), "R-VOLUME@0"},
		{"R-ADMIT: at risk", atRisk(young()), "R-ADMIT@-76"},
		{"R-ADMIT: met by any set since", withSets(atRisk(young()), negative(-100)), "R-WEEKLY@68"},
		{"R-WEEKLY: after the latest set that can be read", withSets(atRisk(young()), negative(-50), negative(-20), unreadable(-19)), "R-WEEKLY@148"},
	}
	for _, c := range cases {
		if got := open(assess(c.stay)); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestUsableFluidsAlone(t *testing.T) {
	d := dry(young(), -1500)
	d.Fluids[0].From = hour(-30) // 30 of 48 h
	if got := open(assess(d)); got != "" {
		t.Errorf("an incomplete balance opens %q", got)
	}
}

func TestTheEarliestDemandIsTheRecheckAndTiesGoByTheTable(t *testing.T) {
	d := withFall(withSets(young(), positive(-5, trends.CritStopped)), -5, "none")
	d.Falls[0].At = hour(-4.5)
	d = treated(d, -4.5, "fluid bolus")
	a := assess(d)
	if got := open(a); got != "R-STOPPED@-1 R-FALL@-0.5 R-TREATED@-0.5 R-POSITIVE@7 R-WEEKLY@163" {
		t.Errorf("open: %s", got)
	}
	if a.Recheck.Rule != RStopped || !a.Recheck.DueAt.Equal(hour(-1)) || a.Recheck.State != Overdue {
		t.Errorf("recheck: %+v", a.Recheck)
	}
	a = assess(withChanges(young(), change("furosemide", trends.Raised, -3, true, true)))
	if a.Recheck.Drug != "furosemide" || a.Recheck.Change != trends.Raised || strings.Join(a.Recheck.Facts, " ") != "order of furosemide" {
		t.Errorf("a drug's recheck: %+v", a.Recheck)
	}
}

func TestTheStateOfARecheck(t *testing.T) {
	cases := []struct {
		since float64 // hours from a negative drug change: due 24 h after
		want  string
	}{{-24.01, Overdue}, {-24, Due}, {-20, Due}, {-19.99, Scheduled}}
	for _, c := range cases {
		a := assess(withChanges(young(), change("furosemide", trends.Started, c.since, true, true)))
		if a.Recheck.State != c.want || len(a.Recheck.Missing) != 0 {
			t.Errorf("started %v h ago: %s, missing %v", -c.since, a.Recheck.State, a.Recheck.Missing)
		}
	}
	a := assess(young())
	if a.Recheck.State != NotNeeded || a.Recheck.DueAt != nil || a.Recheck.Rule != "" || a.Recheck.Missing == nil {
		t.Errorf("nothing owed: %+v", a.Recheck)
	}
}

func TestWhatBlocksARecheck(t *testing.T) {
	bedbound := func(d trends.Digest) trends.Digest {
		d.Stay.NotAmbulatory = true
		return d
	}
	cases := []struct {
		name    string
		stay    trends.Digest
		state   string
		missing string
	}{
		{"no injury", withFall(withSets(young(), negative(-50)), -1, "none"), Due, ""},
		{"minor injury", withFall(withSets(young(), negative(-50)), -1, "minor"), Due, ""},
		{"moderate injury", withFall(withSets(young(), negative(-50)), -1, "moderate"), Blocked, InjuryUncleared},
		{"major injury", withFall(withSets(young(), negative(-50)), -1, "major"), Blocked, InjuryUncleared},
		{"injury not charted", withFall(withSets(young(), negative(-50)), -1, ""), Due, InjuryUnknown},
		{"major injury, a set since", withFall(withSets(young(), positive(-0.5)), -1, "major"), Scheduled, InjuryNoClearance},
		{"major injury, only one that cannot be read since", withFall(withSets(young(), negative(-50), unreadable(-0.5)), -1, "major"), Blocked, InjuryUncleared},
		{"death", withFall(withSets(young(), negative(-50)), -1, "death"), NotNeeded, ""},
		{"not ambulatory", bedbound(withSets(young(), positive(-1))), Blocked, CannotWalk},
		{"not ambulatory and overdue", bedbound(withSets(young(), positive(-40))), Blocked, CannotWalk},
		{"not ambulatory, nothing owed", bedbound(young()), NotNeeded, ""},
		{"all three", bedbound(withFall(withFall(young(), -2, ""), -1, "major")), Blocked, "injury_uncleared injury_unknown not_ambulatory"},
	}
	for _, c := range cases {
		a := assess(c.stay)
		if a.Recheck.State != c.state || strings.Join(a.Recheck.Missing, " ") != c.missing {
			t.Errorf("%s: %s, missing %v", c.name, a.Recheck.State, a.Recheck.Missing)
		}
		if a.Recheck.State == Blocked && (a.Recheck.DueAt == nil || hasReason(a, TOverdue) || hasReason(a, TDue)) {
			t.Errorf("%s: due %v, reasons %s", c.name, a.Recheck.DueAt, rulesOf(a.Reasons))
		}
	}
}

func TestWhoIsAtRisk(t *testing.T) {
	born := func(date string) trends.Digest {
		d := young()
		d.Stay.BirthDate = date
		return d
	}
	drugged := young()
	drugged.RiskDrugs = []string{"order"}
	coded := func(code string) trends.Digest {
		d := young()
		d.Conditions = []trends.Coded{{SourceID: "c", Code: code, Charted: code}}
		return d
	}
	cases := []struct {
		name string
		stay trends.Digest
		want bool
	}{
		{"aged 40", young(), false}, {"65 today", born("1961-11-20"), true}, {"65 tomorrow", born("1961-11-21"), false},
		{"age unknown", born(""), true}, {"a risk drug", drugged, true}, {"a fall", withFall(young(), -90, "death"), true},
		{"Parkinson's disease", coded("G20"), true}, {"repeated falls", coded("R296"), true}, {"heart failure", coded("I50"), false},
	}
	for _, c := range cases {
		if got := AtRisk(c.stay, clinical.DefaultPolicy(), noon.Location(), noon); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
