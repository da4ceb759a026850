package trends

import (
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// evidence writes changes as "drug change: orders", parted by semicolons.
func evidence(changes []Change) string {
	var out []string
	for _, c := range changes {
		out = append(out, c.Drug+" "+c.Change+": "+strings.Join(c.Orders, " "))
	}
	return strings.Join(out, "; ")
}

func TestAChangeNamesTheOrdersThatMadeIt(t *testing.T) {
	for _, c := range []struct{ name, orders, want string }{
		{"a further order, not the one that goes on", "a active furosemide 40x1 from=0; b active furosemide 20x1 from=24", "furosemide started: a; furosemide raised: b"},
		{"a later version", "a active furosemide 40x1 from=0; a active furosemide 80x1 from=0 at=24", "furosemide started: a; furosemide raised: a"},
		{"the one that ended", "a active furosemide 40x1 from=0; b active furosemide 20x1 from=0 to=24", "furosemide started: a b; furosemide lowered: b"},
		{"one resumed, and corrected since", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a active furosemide 40x1 from=0 at=48; a corrected furosemide 20x1 from=0 at=60",
			"furosemide started: a; furosemide held: a; furosemide resumed: a"},
		{"one that had ended before its end was recorded", "a active furosemide 40x1 from=0; a stopped furosemide 40x1 from=0 to=20 at=24; b active furosemide 20x1 from=24", "furosemide started: a; furosemide stopped: a; furosemide resumed: b"},
		{"one that would have been resumed after it was renewed", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=20; a active furosemide 40x1 from=0 to=24 at=23; b active furosemide 20x1 from=22.5",
			"furosemide started: a; furosemide held: a; furosemide resumed: b"},
		{"both routes", "a active furosemide 40x1 from=0 to=24; b active furosemide 20x1 from=25 route=iv", "furosemide started: a; furosemide route changed: a b"},
		{"by start, then by source_id", "z active furosemide 40x1 from=0; b active furosemide 40x1 from=1; a active furosemide 40x1 from=1; y active furosemide 40x1 from=0 to=30; x active furosemide 40x1 from=30",
			"furosemide started: y z; furosemide raised: a b"},
	} {
		if got := evidence(newChart(t).orders(c.orders).digest().Changes); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestChangesOfOneMomentStandByDrugThenRoute(t *testing.T) {
	c := newChart(t).orders("a active furosemide 40x1 from=0; b active bumetanide 1x1 from=0 route=iv; c active digoxin 0.25x1 from=0; d active bumetanide 1x1 from=0")
	var got []string
	for _, ch := range c.digest().Changes {
		got = append(got, ch.Drug+" "+ch.Route)
	}
	wantWords(t, "changes", got, "bumetanide oral, bumetanide parenteral, furosemide oral")
}

func TestActiveOrdersStandByDrugRouteAndStart(t *testing.T) {
	c := newChart(t).orders("a active furosemide 40x1 from=0; b active bumetanide 1x1 from=0 route=iv; d active bumetanide 1x1 from=0; e active furosemide 20x1 from=-9; x active furosemide 1x1 from=-20 to=-10")
	var got []string
	for _, o := range c.digest().Ordered {
		got = append(got, o.Name+" "+o.Route+" "+strings.Join(o.Orders, "+"))
	}
	wantWords(t, "ordered", got, "bumetanide oral d, bumetanide parenteral b, furosemide oral e+a")
}

// The courses below are looked at directly: what a digest tells of them does not
// show every step.
func coursesOf(c *chart) []ingredientCourse {
	vs := append([]clinical.Version{{
		Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: c.stay,
	}}, c.versions...)
	return ingredientCourses(ordersOf(clinical.ChartAt("S", vs, c.asOf)), c.asOf, c.policy.Drugs)
}

// level writes a course as "hour>mg" for each segment.
func levels(c ingredientCourse) string {
	var out []string
	for _, s := range c.segments {
		word := show(s.level)
		if s.held {
			word += " held"
		}
		out = append(out, show(ptr(s.from.Sub(noon).Hours()))+">"+word)
	}
	return strings.Join(out, ", ")
}

func TestTheOrderedDailyDoseOverTime(t *testing.T) {
	for _, c := range []struct{ name, orders, want string }{
		{"one order", "a active furosemide 40x1 from=0 to=24", "0>40, 24>0"},
		{"an amount that is not known beside one that is", "a active furosemide ? from=0; b active furosemide 40x1 from=1", "0>null"},
		{"the other way round", "a active furosemide 40x1 from=1; b active furosemide ? from=0", "0>null"},
		{"known again when the unknown one ends", "a active furosemide ? from=0 to=10; b active furosemide 40x1 from=1", "0>null, 10>40"},
		{"ended before the first one, and a third goes on", "a active furosemide 20x1 from=0 to=5; b active furosemide ? from=0 to=10; c active furosemide 40x1 from=0", "0>null, 10>40"},
		{"every order that ended was held", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; b active furosemide 20x1 from=0; b on-hold furosemide 20x1 from=0 at=24", "0>60, 24>0 held"},
		{"one held, one stopped", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; b active furosemide 20x1 from=0 to=24", "0>60, 24>0"},
		{"one held now, one stopped before", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; b active furosemide 20x1 from=0 to=10", "0>60, 10>40, 24>0 held"},
		{"held, then stopped while held", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a stopped furosemide 40x1 from=0 at=48", "0>40, 24>0 held"},
		{"held, and resumed to an end", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a active furosemide 40x1 from=0 to=90 at=48", "0>40, 24>0 held, 48>40, 90>0"},
		{"a dose of nothing is off", "a active furosemide 0x1 from=0; b active furosemide 40x1 from=5", "5>40"},
		{"a hold that ends at the planned end", "a active furosemide 40x1 from=0 to=24; a on-hold furosemide 40x1 from=0 to=24 at=24", "0>40, 24>0"},
		{"held and resumed at one moment", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a active furosemide 40x1 from=0 at=24", "0>40"},
		{"held and started anew within two hours", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; b active furosemide 20x1 from=25", "0>40, 25>20"},
		{"a gap under two hours at the same dose", "a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=25", "0>40"},
		{"the second of two that end together is renewed", "a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=10 to=24; c active furosemide 40x1 from=23", "0>40, 10>80, 23>40"},
		{"of two renewals the first ends it", "a active furosemide 40x1 from=0 to=24; b active furosemide 10x1 from=23.5; c active furosemide 10x1 from=22.5", "0>40, 22.5>10, 23.5>20"},
		{"an order that starts with it is no renewal", "a active furosemide 40x1 from=0 to=1; b active furosemide 20x1 from=0", "0>60, 1>20"},
		{"one on hold at the end is not renewed", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; b active furosemide 20x1 from=23", "0>40, 23>60, 24>20"},
		{"a corrected first version is the order from its start", "a corrected furosemide 40x1 from=0 at=5", "0>40"},
		{"two versions together, then a third", "a active furosemide 40x1 from=0; a active furosemide 60x1 from=0; a active furosemide 80x1 from=0 at=9", "0>60, 9>80"},
		{"recorded together with the first: stopped", "a active furosemide 40x1 from=0 at=5; a stopped furosemide 40x1 from=0 at=5", "0>40, 5>0"},
		{"taken back first, then entered", "a entered-in-error furosemide 40x1 from=0 at=1; a active furosemide 40x1 from=0 at=2", "0>40"},
		{"a hold in another dose changes none", "a active furosemide 40x1 from=0; a on-hold furosemide 80x1 from=0 at=24", "0>40, 24>0 held"},
		{"a hold, then a correction of it", "a on-hold furosemide 40x1 from=0 at=24; a corrected furosemide 20x1 from=0 at=30", "0>20, 24>0 held"},
		{"cancelled at first, then active", "a cancelled furosemide 40x1 from=0 at=5; a active furosemide 40x1 from=0 at=10", "10>40"},
		{"cancelled and active recorded together", "a cancelled furosemide 40x1 from=0 at=5; a active furosemide 40x1 from=0 at=5", "0>40"},
		{"a gap over two hours, in which a version was recorded", "a active furosemide 40x1 from=0 to=24; a active furosemide 40x1 from=0 to=24 at=25; b active furosemide 20x1 from=26.5", "0>40, 24>0, 26.5>20"},
		{"a dose of nothing is a stop, not a hold", "a active furosemide 40x1 from=0; a active furosemide 0x1 from=0 at=24", "0>40, 24>0"},
		{"one held, one held before and stopped now", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=10; a active furosemide 40x1 from=0 to=30 at=20; b active furosemide 20x1 from=0; b on-hold furosemide 20x1 from=0 at=30",
			"0>60, 10>20, 20>60, 30>0"},
		{"known, then not", "a active furosemide 40x1 from=0; b active furosemide ? from=5", "0>40, 5>null"},
		{"nearly the same dose", "a active furosemide 0.1x3 from=0; a active furosemide 0.3x1 from=0 at=24", "0>0.30000000000000004"},
	} {
		courses := coursesOf(newChart(t).orders(c.orders))
		if len(courses) != 1 {
			t.Errorf("%s: %d courses", c.name, len(courses))
			continue
		}
		if got := levels(courses[0]); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestOrdersThatNeverRan(t *testing.T) {
	for name, orders := range map[string]string{
		"active and cancelled recorded together": "a active furosemide 40x1 from=0 at=5; a cancelled furosemide 40x1 from=0 at=5",
		"ended as it starts":                     "a active furosemide 40x1 from=5 to=5",
		"ended before it starts":                 "a active furosemide 40x1 from=5 to=3",
	} {
		if courses := coursesOf(newChart(t).orders(orders)); len(courses) != 0 {
			t.Errorf("%s: %s", name, levels(courses[0]))
		}
	}
}

func TestTheDoseBeforeTheFirstOrderIsNothing(t *testing.T) {
	c := coursesOf(newChart(t).orders("a active furosemide 40x1 from=0 to=24"))[0]
	for h, want := range map[float64]string{-1: "0", 0: "40", 23: "40", 24: "0"} {
		mg, on := c.levelAt(hoursOn(h))
		wantFigure(t, "mg", mg, want)
		if on != (want != "0") {
			t.Errorf("at %v h: on is %v", h, on)
		}
	}
}

func TestANewDrugIsTheOrderThatSaysSo(t *testing.T) {
	c := newChart(t)
	got := steps(c.orders("a active furosemide 40x1 from=-238 to=-230; b active furosemide 40x1 from=-200 new").digest().Changes)
	if want := "furosemide stopped @-230 40>0; furosemide resumed @-200 0>40"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// Three routes: the start that comes first takes the stop.
func TestAStopIsUsedByOneStart(t *testing.T) {
	got := steps(newChart(t).orders("a active nitroglycerin 5x1 from=0 to=24; b active nitroglycerin 5x1 from=25 route=iv; c active nitroglycerin 5x1 from=24.5 route=sl").digest().Changes)
	if want := "nitroglycerin started @0 0>5; nitroglycerin route changed @24.5 5>5; nitroglycerin started @25 0>5"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	// Of two stops the nearer one, and each for one start.
	got = steps(newChart(t).orders("a active nitroglycerin 5x1 from=0 to=24; b active nitroglycerin 6x1 from=0 to=25 route=td; c active nitroglycerin 7x1 from=25.5 route=iv").digest().Changes)
	if want := "nitroglycerin started @0 0>5; nitroglycerin started @0 0>6; nitroglycerin stopped @24 5>0; nitroglycerin route changed @25.5 6>7"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	// Both an hour away: the earlier one.
	got = steps(newChart(t).orders("a active nitroglycerin 5x1 from=0 to=24; b active nitroglycerin 6x1 from=0 to=26 route=td; c active nitroglycerin 7x1 from=25 route=iv").digest().Changes)
	if want := "nitroglycerin started @0 0>5; nitroglycerin started @0 0>6; nitroglycerin route changed @25 5>7; nitroglycerin stopped @26 6>0"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	// A resumption by another route stays one.
	got = steps(newChart(t).orders("a active nitroglycerin 5x1 from=0 to=24; b active nitroglycerin 6x1 from=10 to=20 route=iv; c active nitroglycerin 7x1 from=25 route=iv").digest().Changes)
	if want := "nitroglycerin started @0 0>5; nitroglycerin started @10 0>6; nitroglycerin stopped @20 6>0; nitroglycerin stopped @24 5>0; nitroglycerin resumed @25 0>7"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestTheLatestUpOfTwoAtOneMomentIsTheLastListed(t *testing.T) {
	changes := []Change{
		{Drug: "a", Change: Raised, At: hoursOn(2), Lowering: true, Orders: []string{"1"}},
		{Drug: "b", Change: Started, At: hoursOn(1), Lowering: true, Orders: []string{"2"}},
		{Drug: "c", Change: Started, At: hoursOn(2), Lowering: true, Orders: []string{"3"}},
		{Drug: "d", Change: Started, At: hoursOn(1), Lowering: true, Orders: []string{"4"}},
	}
	if c, ok := LatestUp(changes); !ok || c.Drug != "c" {
		t.Errorf("latest up: %s, %v", c.Drug, ok)
	}
	before := time.Time{}.Add(-time.Hour) // a moment before the zero one counts too
	if c, ok := LatestUp([]Change{{Drug: "a", Change: Raised, At: before, Lowering: true}}); !ok || c.Drug != "a" {
		t.Errorf("%s, %v", c.Drug, ok)
	}
}

func TestRiskBeginsWithTheFirstDrug(t *testing.T) {
	for _, c := range []struct {
		name  string
		chart *chart
		facts string
		from  float64
	}{
		{"a later order, then an earlier one", newChart(t).orders("a active furosemide 40x1 from=5; b active lisinopril 10x1 from=2; c active amlodipine 5x1 from=9"), "a, b, c", 2},
		{"a dose before the order", newChart(t).orders("a active furosemide 40x1 from=5").dose("d", "furosemide", 40, 3), "a, d", 3},
		{"a pressor given", newChart(t).dose("d", "midodrine", 5, 3).dose("e", "midodrine", 5, 4), "d, e", 3},
	} {
		d := c.chart.digest()
		wantWords(t, c.name, d.RiskDrugs, c.facts)
		if d.RiskFrom == nil || !d.RiskFrom.Equal(hoursOn(c.from)) {
			t.Errorf("%s: from %v", c.name, d.RiskFrom)
		}
	}
	if d := newChart(t).dose("d", "sertraline", 50, 3).digest(); d.RiskFrom != nil || len(d.RiskDrugs) > 0 {
		t.Errorf("sertraline puts at risk by pressure: %v", d.RiskDrugs)
	}
}

func TestLoadStepsLeaveOutClassesWithoutOrders(t *testing.T) {
	c := newChart(t).orders("a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=0 route=iv; c active digoxin 0.25x1 from=0")
	vs := append([]clinical.Version{{Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true, Status: clinical.Final, Body: c.stay}}, c.versions...)
	steps := LoadSteps(clinical.ChartAt("S", vs, c.asOf), c.policy)
	if len(steps) != 1 || steps[0].Group != clinical.LoopDiuretic {
		t.Fatalf("classes %v", steps)
	}
	moments := slices.CompactFunc(slices.Clone(steps[0].Points), func(a, b LoadPoint) bool { return a.At.Equal(b.At) })
	if len(steps[0].Points) != 2 || len(moments) != 2 {
		t.Errorf("points %v", steps[0].Points)
	}
	wantFigure(t, "first", steps[0].Points[0].DDD, "2")
	wantFigure(t, "then", steps[0].Points[1].DDD, "1")
}

// Orders that start after the moment asked do not exist yet.
func TestAnOrderExistsFromItsStartOn(t *testing.T) {
	ahead := func(start string) []string {
		return newChart(t).orders("a active study_drug 1x1 at=-1 from=" + start).at(0).digest().Unrecognised
	}
	wantWords(t, "one that starts later", ahead("0.1"), "")
	wantWords(t, "one that starts now", ahead("0"), "study drug")
}

func TestCoursesOfOneNameStandByCode(t *testing.T) {
	var got []string
	for _, c := range coursesOf(newChart(t).orders("a active clonidine 0.1x1 from=0 atc=N02CX02; b active clonidine 0.1x1 from=0 atc=C02AC01; d active clonidine 0.1x1 from=0 atc=C02AC01 route=td")) {
		got = append(got, c.ingredient.ATC+" "+string(c.route))
	}
	wantWords(t, "courses", got, "C02AC01 oral, C02AC01 transdermal, N02CX02 oral")
}

func TestStartsRaisesAndResumptionsAreUp(t *testing.T) {
	for change, want := range map[string]bool{
		Started: true, Raised: true, Resumed: true, Lowered: false, Held: false, StoppedDrug: false, RouteChanged: false,
	} {
		if (Change{Change: change}).Up() != want {
			t.Errorf("%s: up is not %v", change, want)
		}
	}
}
