package alerts

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// named is a digest as the stay of an id.
func named(d trends.Digest, id string) trends.Digest {
	d.StayID = id
	return d
}

func at(d trends.Digest, h float64) Assessment {
	return Assess(d, clinical.DefaultPolicy(), time.UTC, hour(h))
}

// told writes what has changed in a line, by stay.
func told(s Since) string {
	var out []string
	add := func(what string, a Assessment) { out = append(out, what+" "+a.Digest.StayID) }
	for _, a := range s.Arrived {
		add("came", a)
	}
	for _, d := range s.Left {
		add("left", d.Of)
	}
	for _, p := range s.Positives {
		add(strings.Repeat("+", len(p.Sets)), p.Of)
	}
	for _, a := range s.Cleared {
		add("cleared", a)
	}
	for _, f := range s.Falls {
		add(strings.Repeat("fell ", len(f.Falls)), f.Of)
	}
	for _, d := range s.Doses {
		for _, c := range d.Changes {
			add(c.Change, d.Of)
		}
	}
	return strings.Join(strings.Fields(strings.Join(out, ", ")), " ")
}

// Then is 5 hours ago in every case.
func TestWhatHasChangedBetweenTwoLists(t *testing.T) {
	negatives := withSets(young(), positive(-40), negative(-20), negative(-10))
	corrected := set(-6, trends.Positive)
	charted := set(-6, trends.Negative)
	given := positive(-6)
	given.SetID = "s1"
	moved := positive(-5.9) // a late reading moved its start
	moved.SetID = "s1"
	for name, tc := range map[string]struct {
		then, now []trends.Digest
		want      string
	}{
		"nothing":                       {[]trends.Digest{withSets(young(), positive(-9))}, []trends.Digest{withSets(young(), positive(-9))}, ""},
		"a positive set":                {[]trends.Digest{young()}, []trends.Digest{withSets(young(), positive(-2), negative(-1))}, "+ S"},
		"two positive sets":             {[]trends.Digest{young()}, []trends.Digest{withSets(young(), positive(-2), positive(-1))}, "++ S"},
		"a set charted late":            {[]trends.Digest{young()}, []trends.Digest{withSets(young(), positive(-9))}, "+ S"},
		"a set corrected to positive":   {[]trends.Digest{withSets(young(), charted)}, []trends.Digest{withSets(young(), corrected)}, "+ S"},
		"a set corrected from positive": {[]trends.Digest{withSets(young(), corrected)}, []trends.Digest{withSets(young(), charted)}, ""},
		"a given set that begins later": {[]trends.Digest{withSets(young(), given)}, []trends.Digest{withSets(young(), moved)}, ""},
		"symptoms are no positive set":  {[]trends.Digest{young()}, []trends.Digest{withSets(young(), symptoms(-2), unreadable(-1))}, ""},
		"cleared":                       {[]trends.Digest{negatives}, []trends.Digest{cleared(negatives, -1)}, "cleared S"},
		"cleared before":                {[]trends.Digest{cleared(negatives, -9)}, []trends.Digest{cleared(negatives, -9)}, ""},
		"a fall":                        {[]trends.Digest{young()}, []trends.Digest{withFall(young(), -1, "none")}, "fell S"},
		"a fall known then":             {[]trends.Digest{withFall(young(), -9, "")}, []trends.Digest{withFall(young(), -9, "minor")}, ""},
		"a dose raised": {
			[]trends.Digest{withChanges(young(), change("furosemide", trends.Started, -40, true, true))},
			[]trends.Digest{withChanges(young(), change("furosemide", trends.Started, -40, true, true), change("furosemide", trends.Raised, -1, true, true))},
			"raised S",
		},
		"another change at the same moment": {
			[]trends.Digest{withChanges(young(), change("furosemide", trends.Held, -9, true, true))},
			[]trends.Digest{withChanges(young(), change("furosemide", trends.StoppedDrug, -9, true, true))},
			"stopped S",
		},
		"who came, with what is later than then alone": {
			nil, []trends.Digest{withFall(withSets(young(), positive(-9), positive(-5), positive(-4.99)), -6, "none")}, "came S, + S",
		},
		"the one is not the other": {
			[]trends.Digest{named(withSets(young(), positive(-9)), "A"), named(young(), "B")},
			[]trends.Digest{named(withSets(young(), positive(-9)), "B"), named(withSets(young(), positive(-9)), "A")}, "+ B",
		},
	} {
		var then, now []Assessment
		for _, d := range tc.then {
			then = append(then, at(d, -5))
		}
		for _, d := range tc.now {
			now = append(now, at(d, 0))
		}
		s := Compare(then, now, nil, hour(-5), noon)
		if got := told(s); got != tc.want {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
		if s.Quiet() != (tc.want == "") {
			t.Errorf("%s: quiet %v", name, s.Quiet())
		}
	}
}

// What befell a patient before leaving is told; what came after is another unit's.
func TestWhoHasLeftIsToldUntilThen(t *testing.T) {
	d := withFall(withFall(withSets(young(), positive(-4), positive(-1)), -3, "minor"), -1, "none")
	d.Falls[1].SourceID = "second fall"
	d = cleared(withChanges(d, change("furosemide", trends.Raised, -4.5, true, true), change("furosemide", trends.Held, -2, true, true)), -1)
	left := Left(at(d, 0), hour(-2))
	s := Compare([]Assessment{at(young(), -5)}, nil, []Departure{left}, hour(-5), noon)
	if got := told(s); got != "left S, + S, fell S, raised S" {
		t.Errorf("of who left: %q", got)
	}
	if len(d.Sets) != 2 || len(d.Falls) != 2 || len(d.Changes) != 2 {
		t.Error("the digest itself was cut")
	}
}

func TestTheLastHuddleIsOver(t *testing.T) {
	p := clinical.DefaultPolicy().Unit
	for _, tc := range []struct{ at, want string }{
		{"2026-11-25T06:59:00Z", "2026-11-24T07:00:00Z"},
		{"2026-11-25T07:00:00Z", "2026-11-24T07:00:00Z"},
		{"2026-11-25T07:29:59Z", "2026-11-24T07:00:00Z"}, // it is going on
		{"2026-11-25T07:30:00Z", "2026-11-25T07:00:00Z"},
		{"2026-11-25T23:00:00Z", "2026-11-25T07:00:00Z"},
	} {
		when, _ := time.Parse(time.RFC3339, tc.at)
		if got := LastHuddle(p, time.UTC, when).Format(time.RFC3339); got != tc.want {
			t.Errorf("at %s the last huddle is %s, want %s", tc.at, got, tc.want)
		}
	}
	p.Huddle = "no clock"
	if got := LastHuddle(p, time.UTC, noon); !got.Equal(hour(-24)) {
		t.Errorf("without a clock: %s", got)
	}
}

func TestTheNextShift(t *testing.T) {
	p := clinical.DefaultPolicy().Unit
	for _, tc := range []struct{ at, want string }{
		{"2026-11-25T06:59:00Z", "2026-11-25T07:00:00Z"},
		{"2026-11-25T07:00:00Z", "2026-11-25T19:00:00Z"},
		{"2026-11-25T18:59:00Z", "2026-11-25T19:00:00Z"},
		{"2026-11-25T19:00:00Z", "2026-11-26T07:00:00Z"},
	} {
		when, _ := time.Parse(time.RFC3339, tc.at)
		if got := NextShift(p, time.UTC, when).Format(time.RFC3339); got != tc.want {
			t.Errorf("at %s the next shift begins %s, want %s", tc.at, got, tc.want)
		}
	}
}

func TestWhoFellOrFainted(t *testing.T) {
	faint := positive(-3, trends.CritStopped)
	faint.Symptoms = []string{"dizziness", lostConsciousness}
	d := withFall(withFall(withSets(young(), faint, negative(-1)), -2, "none"), -5, "minor")
	d.Falls[1].SourceID = "at the early end"
	got := FellOrFainted(at(d, 0), hour(-5))
	if len(got) != 2 || got[0].Fainted || !got[1].Fainted {
		t.Fatalf("falls and faints: %+v", got)
	}
	fall, fainted := got[0], got[1]
	if fall.Reason.Rule != TFell || !fall.SetNow || fall.Reason.Figures["injury"] != "none" {
		t.Errorf("the fall: %+v", fall)
	}
	if fainted.Reason.Rule != FStop || !fainted.SetNow || fainted.Reason.Figures["systolic_drop"] != 25.0 {
		t.Errorf("the faint: %+v", fainted)
	}
	if got := FellOrFainted(at(withFall(young(), -1, ""), 0), hour(-5)); len(got) != 1 || got[0].Reason.Rule != TFall || got[0].SetNow {
		t.Errorf("a fall without a set: %+v", got)
	}
	if got := FellOrFainted(at(withFall(young(), -30, ""), 0), hour(-40)); len(got) != 1 || got[0].Reason.Rule != "" {
		t.Errorf("a fall that no rule of the list holds for any more: %+v", got)
	}
}
