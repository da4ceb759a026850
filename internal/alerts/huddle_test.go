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

func byRoute(route string, c trends.Change) trends.Change {
	c.Route = route
	return c
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
	other := positive(-6) // at the very same time
	other.SetID = "s2"
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
		"another drug at the same moment": {
			[]trends.Digest{withChanges(young(), change("furosemide", trends.Raised, -9, true, true))},
			[]trends.Digest{withChanges(young(), change("furosemide", trends.Raised, -9, true, true), change("lisinopril", trends.Raised, -9, true, true))},
			"raised S",
		},
		"by another route at the same moment": {
			[]trends.Digest{withChanges(young(), change("furosemide", trends.Raised, -9, true, true))},
			[]trends.Digest{withChanges(young(), byRoute("parenteral", change("furosemide", trends.Raised, -9, true, true)))},
			"raised S",
		},
		"raised again": {
			[]trends.Digest{withChanges(young(), change("furosemide", trends.Raised, -9, true, true))},
			[]trends.Digest{withChanges(young(), change("furosemide", trends.Raised, -9, true, true), change("furosemide", trends.Raised, -2, true, true))},
			"raised S",
		},
		"a further positive set":   {[]trends.Digest{withSets(young(), positive(-9))}, []trends.Digest{withSets(young(), positive(-9), positive(-2))}, "+ S"},
		"a further given set":      {[]trends.Digest{withSets(young(), given)}, []trends.Digest{withSets(young(), given, other)}, "+ S"},
		"who came, cleared before": {nil, []trends.Digest{cleared(negatives, -5)}, "came S"},
		"who came, cleared since":  {nil, []trends.Digest{cleared(negatives, -4.99)}, "came S, cleared S"},
		"who came, with doses raised until then": {
			nil, []trends.Digest{withChanges(young(), change("furosemide", trends.Raised, -5, true, true), change("furosemide", trends.Held, -4.99, true, true))}, "came S, held S",
		},
		"nobody": {nil, nil, ""},
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

// What is of the moment of leaving itself is the other unit's.
func TestADepartureHoldsWhatBefellBeforeIt(t *testing.T) {
	d := withSets(young(), positive(-3), positive(-2), positive(-1))
	for n, h := range []float64{-3, -2, -1} {
		d = withFall(d, h, "none")
		d.Falls[n].SourceID = "fall at " + d.Falls[n].At.Format("15:04")
	}
	d = withChanges(d, change("furosemide", trends.Raised, -3, true, true), change("furosemide", trends.Raised, -2, true, true), change("furosemide", trends.Raised, -1, true, true))
	left := Left(at(d, 0), hour(-2))
	of := left.Of.Digest
	if !left.At.Equal(hour(-2)) {
		t.Errorf("left at %s", left.At)
	}
	if len(of.Sets) != 1 || !of.Sets[0].StartedAt.Equal(hour(-3)) {
		t.Errorf("sets: %+v", of.Sets)
	}
	if len(of.Falls) != 1 || !of.Falls[0].At.Equal(hour(-3)) {
		t.Errorf("falls: %+v", of.Falls)
	}
	if len(of.Changes) != 1 || !of.Changes[0].At.Equal(hour(-3)) {
		t.Errorf("changes: %+v", of.Changes)
	}
	for _, c := range []struct {
		at   float64
		want bool
	}{{-3, true}, {-2, false}, {-1, false}} {
		s := Left(at(cleared(d, c.at), 0), hour(-2)).Of.Digest.Serial
		if s.Cleared != c.want || (s.ClearedAt != nil) != c.want {
			t.Errorf("cleared at hour %v, left at -2: cleared %v at %v", c.at, s.Cleared, s.ClearedAt)
		}
	}
	if s := Left(at(d, 0), hour(-2)).Of.Digest.Serial; s.Cleared || s.ClearedAt != nil {
		t.Errorf("never cleared: %+v", s)
	}
}

// One of a kind is news, however many there are of another.
func TestAnyNewsIsNotQuiet(t *testing.T) {
	if !(Since{}).Quiet() {
		t.Error("nothing is not quiet")
	}
	here, lists := []Assessment{{}}, []func(*Since){
		func(s *Since) { s.Left = []Departure{{}} }, func(s *Since) { s.Positives = []NewSets{{}} },
		func(s *Since) { s.Cleared = []Assessment{{}} }, func(s *Since) { s.Falls = []NewFalls{{}} }, func(s *Since) { s.Doses = []NewDoses{{}} },
	}
	for n, fill := range lists {
		alone, beside := Since{}, Since{Arrived: here}
		fill(&alone)
		fill(&beside)
		if alone.Quiet() || beside.Quiet() {
			t.Errorf("list %d: quiet alone %v, beside an arrival %v", n, alone.Quiet(), beside.Quiet())
		}
	}
}

func TestTheLastHuddleIsOver(t *testing.T) {
	p := clinical.DefaultPolicy().Unit
	for _, tc := range []struct{ at, want string }{
		{"2026-11-25T06:59:00Z", "2026-11-24T07:00:00Z"},
		{"2026-11-25T07:00:00Z", "2026-11-24T07:00:00Z"},
		{"2026-11-25T07:29:59Z", "2026-11-24T07:00:00Z"}, // it is going on
		{"2026-11-25T07:29:59.999999999Z", "2026-11-24T07:00:00Z"},
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

func TestShiftsWithoutAClock(t *testing.T) {
	for _, tc := range []struct{ day, night, want string }{
		{"no clock", "19:00", "2026-11-20T19:00:00Z"},
		{"07:00", "no clock", "2026-11-21T07:00:00Z"},
		{"no clock", "no clock", "2026-11-21T00:00:00Z"}, // half a day on
		{"19:00", "19:00", "2026-11-20T19:00:00Z"},
	} {
		p := clinical.UnitPolicy{DayShift: tc.day, NightShift: tc.night}
		if got := NextShift(p, time.UTC, noon).UTC().Format(time.RFC3339); got != tc.want {
			t.Errorf("day from %s, night from %s: %s, want %s", tc.day, tc.night, got, tc.want)
		}
	}
}

// The clocks of Zurich go back at 03:00 on 25 October 2026 and forward at 02:00 on
// 28 March 2027 (IANA time zone database).
func TestHuddlesAndShiftsKeepToTheLocalClock(t *testing.T) {
	zurich, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Skip(err)
	}
	p := clinical.UnitPolicy{Huddle: "07:00", DayShift: "07:00", NightShift: "19:00"}
	for _, tc := range []struct{ at, last, next string }{
		{"2026-10-24T18:00:00Z", "2026-10-24T05:00:00Z", "2026-10-25T06:00:00Z"}, // 20:00: the night lasts 13 h
		{"2026-10-25T05:30:00Z", "2026-10-24T05:00:00Z", "2026-10-25T06:00:00Z"}, // 06:30
		{"2026-10-25T06:30:00Z", "2026-10-25T06:00:00Z", "2026-10-25T18:00:00Z"}, // 07:30
		{"2027-03-27T19:00:00Z", "2027-03-27T06:00:00Z", "2027-03-28T05:00:00Z"}, // 20:00: the night lasts 11 h
		{"2027-03-28T05:30:00Z", "2027-03-28T05:00:00Z", "2027-03-28T17:00:00Z"}, // 07:30
	} {
		when, _ := time.Parse(time.RFC3339, tc.at)
		if got := LastHuddle(p, zurich, when).UTC().Format(time.RFC3339); got != tc.last {
			t.Errorf("at %s the last huddle is %s, want %s", tc.at, got, tc.last)
		}
		if got := NextShift(p, zurich, when).UTC().Format(time.RFC3339); got != tc.next {
			t.Errorf("at %s the next shift begins %s, want %s", tc.at, got, tc.next)
		}
	}
	// A night that begins at an hour the clocks show twice begins at the first; at one
	// that they jump over, at the jump.
	p = clinical.UnitPolicy{Huddle: "02:30", DayShift: "07:00", NightShift: "02:30"}
	for at, want := range map[string]string{
		"2026-10-24T22:00:00Z": "2026-10-25T00:30:00Z", "2026-10-25T00:30:00Z": "2026-10-25T06:00:00Z", "2027-03-28T00:00:00Z": "2027-03-28T01:00:00Z",
	} {
		when, _ := time.Parse(time.RFC3339, at)
		if got := NextShift(p, zurich, when).UTC().Format(time.RFC3339); got != want {
			t.Errorf("at %s the next shift begins %s, want %s", at, got, want)
		}
	}
}

// fainted is a positive set, stopped, with loss of consciousness.
func fainted(at float64) trends.Set {
	s := positive(at, trends.CritStopped)
	s.Symptoms = []string{lostConsciousness}
	return s
}

func TestFallsAndFaintsStandTheLatestFirst(t *testing.T) {
	d := withSets(young(), fainted(-6), fainted(-5), fainted(-3), negative(-2.5), fainted(-1))
	for n, h := range []float64{-6, -5, -4, -2, 0, 1} { // the last one is charted ahead
		d = withFall(d, h, "none")
		d.Falls[n].SourceID = "f" + d.Falls[n].At.Format("15")
	}
	var got []string
	for _, e := range FellOrFainted(at(d, 0), hour(-5)) {
		what := "fell "
		if e.Fainted {
			what = "fainted "
		}
		if (e.Fall == nil) != e.Fainted || e.Fall != nil && !e.Fall.At.Equal(e.At) {
			t.Errorf("%sat %s is of the fall %+v", what, e.At, e.Fall)
		}
		got = append(got, what+e.At.Format("15"))
	}
	if want := "fell 12, fainted 11, fell 10, fainted 09, fell 08"; strings.Join(got, ", ") != want {
		t.Errorf("%q, want %s", got, want)
	}
	if none := FellOrFainted(at(young(), 0), hour(-5)); len(none) != 0 {
		t.Errorf("of who neither fell nor fainted: %+v", none)
	}
}

// T-FALL and T-FELL hold for 24 h; the fall before it borrows no rule from the later one.
func TestAFallHasTheRuleThatHoldsForItself(t *testing.T) {
	d := withFall(withFall(young(), -30, "minor"), -2, "none")
	d.Falls[0].SourceID = "long ago"
	got := FellOrFainted(at(d, 0), hour(-40))
	if len(got) != 2 || got[0].Reason.Rule != TFall || got[1].Reason.Rule != "" {
		t.Errorf("rules: %+v", got)
	}
}

// The set of the faint itself is no set since; one a moment later is.
func TestASetAfterAFaint(t *testing.T) {
	next := negative(-3)
	next.StartedAt = next.StartedAt.Add(1)
	for name, tc := range map[string]struct {
		sets []trends.Set
		want bool
	}{
		"none":                   {[]trends.Set{fainted(-3)}, false},
		"one before":             {[]trends.Set{negative(-4), fainted(-3)}, false},
		"one that is unreadable": {[]trends.Set{fainted(-3), unreadable(-2)}, false},
		"a moment later":         {[]trends.Set{fainted(-3), next}, true},
		"an hour later":          {[]trends.Set{fainted(-3), negative(-2)}, true},
	} {
		got := FellOrFainted(at(withSets(young(), tc.sets...), 0), hour(-5))
		if len(got) != 1 || got[0].SetNow != tc.want {
			t.Errorf("%s: %+v, want a set %v", name, got, tc.want)
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
	if fall.Reason.Rule != TFell || !fall.SetNow || fall.Reason.Figures.(FellFigures).Injury != "none" || fall.Reason.Figures.(FellFigures).Falls != 0 {
		t.Errorf("the fall, told by itself and not counted: %+v", fall)
	}
	if fainted.Reason.Rule != FStop || !fainted.SetNow || *fainted.Reason.Figures.(SetFigures).SystolicDrop != 25 {
		t.Errorf("the faint: %+v", fainted)
	}
	if got := FellOrFainted(at(withFall(young(), -1, ""), 0), hour(-5)); len(got) != 1 || got[0].Reason.Rule != TFall || got[0].SetNow {
		t.Errorf("a fall without a set: %+v", got)
	}
	if got := FellOrFainted(at(withFall(young(), -30, ""), 0), hour(-40)); len(got) != 1 || got[0].Reason.Rule != "" {
		t.Errorf("a fall that no rule of the list holds for any more: %+v", got)
	}
}
