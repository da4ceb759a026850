package trends

import (
	"fmt"
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

// orders charts versions of orders written as "id status drug dose key=value
// ...", parted by semicolons: the dose as 40x2 (mg, times a day), "?" for none;
// _ for a space in the drug. Keys: from and to (hours), at (recorded, hours;
// else from), route, atc, unit; and the words new, prn and undated.
func (c *chart) orders(spec string) *chart {
	c.t.Helper()
	for _, one := range strings.Split(spec, ";") {
		f := strings.Fields(one)
		o := clinical.Order{Drug: clinical.Drug{Text: strings.ReplaceAll(f[2], "_", " ")}, DoseUnit: "mg"}
		if dose, times, ok := strings.Cut(f[3], "x"); ok {
			o.Dose, o.TimesPerDay = c.number(dose), c.number(times)
		}
		v := clinical.Version{SourceID: f[0], Status: clinical.Status(f[1])}
		recorded := ""
		for _, w := range f[4:] {
			key, value, _ := strings.Cut(w, "=")
			switch key {
			case "from":
				o.StartAt = hoursOn(*c.number(value))
			case "to":
				o.EndAt = ptr(hoursOn(*c.number(value)))
			case "at":
				recorded = value
			case "route":
				o.Route = value
			case "atc":
				o.ATC = value
			case "unit":
				o.DoseUnit = value
			case "new":
				o.NewDrug = true
			case "undated":
				o.EndUnknown = true
			case "prn":
				o.AsNeeded = true
			default:
				c.t.Fatalf("the test writes an order with %q", w)
			}
		}
		v.RecordedAt = o.StartAt
		if recorded != "" {
			v.RecordedAt = hoursOn(*c.number(recorded))
		}
		v.Body = o
		c.add(v)
	}
	return c
}

// steps writes changes as "drug change @hours from>to", parted by semicolons.
func steps(changes []Change) string {
	var out []string
	for _, c := range changes {
		out = append(out, fmt.Sprintf("%s %s @%v %s>%s", c.Drug, c.Change, c.At.Sub(noon).Hours(), show(c.From), show(c.To)))
	}
	return strings.Join(out, "; ")
}

// Policy: 12 h for home drugs, 48 h for resumed, 2 h for renewals.
func TestStepsOfTheOrderedDailyDose(t *testing.T) {
	cases := []struct{ name, orders, want string }{
		{"started", "a active furosemide 40x1 from=0", "furosemide started @0 0>40"},
		{"raised by a later version", "a active furosemide 40x1 from=0; a active furosemide 40x2 from=0 at=24",
			"furosemide started @0 0>40; furosemide raised @24 40>80"},
		{"lowered by a later version", "a active furosemide 40x2 from=0; a active furosemide 40x1 from=0 at=24",
			"furosemide started @0 0>80; furosemide lowered @24 80>40"},
		{"the same dose otherwise written", "a active furosemide 40x2 from=0; a active furosemide 80x1 from=0 at=24",
			"furosemide started @0 0>80"},
		{"a version known before the start holds from the start", "a active furosemide 40x1 from=0 at=-5; a active furosemide 80x1 from=0 at=-2",
			"furosemide started @0 0>80"},
		{"corrected from the start", "a active furosemide 40x1 from=0; a corrected furosemide 80x1 from=0 at=24",
			"furosemide started @0 0>80"},
		{"recorded together with the first", "a active furosemide 40x1 from=0; a active furosemide 80x1 from=0",
			"furosemide started @0 0>80"},
		{"raised by a further order", "a active furosemide 40x1 from=0; b active furosemide 20x1 from=24",
			"furosemide started @0 0>40; furosemide raised @24 40>60"},
		{"ended by end_at", "a active furosemide 40x1 from=0 to=24", "furosemide started @0 0>40; furosemide stopped @24 40>0"},
		{"stopped when that was recorded", "a active furosemide 40x1 from=0; a stopped furosemide 40x1 from=0 at=30",
			"furosemide started @0 0>40; furosemide stopped @30 40>0"},
		{"end_at before the stop was recorded", "a active furosemide 40x1 from=0; a completed furosemide 40x1 from=0 to=24 at=30",
			"furosemide started @0 0>40; furosemide stopped @24 40>0"},
		{"cancelled after it was active", "a active furosemide 40x1 from=0; a cancelled furosemide 40x1 from=0 at=30",
			"furosemide started @0 0>40; furosemide stopped @30 40>0"},
		{"held and resumed", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a active furosemide 40x1 from=0 at=48",
			"furosemide started @0 0>40; furosemide held @24 40>0; furosemide resumed @48 0>40"},
		{"raised soon after it was resumed", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a active furosemide 40x1 from=0 at=30; a active furosemide 80x1 from=0 at=36",
			"furosemide started @0 0>40; furosemide held @24 40>0; furosemide resumed @30 0>40; furosemide raised @36 40>80"},
		{"stopped within two hours of its start: no change of route", "a active furosemide 40x1 from=0 to=1", "furosemide started @0 0>40; furosemide stopped @1 40>0"},
		{"stopped before its planned end", "a active furosemide 40x1 from=0 to=48; a stopped furosemide 40x1 from=0 to=48 at=24", "furosemide started @0 0>40; furosemide stopped @24 40>0"},
		{"starts at the moment asked", "a active furosemide 40x1 from=240", "furosemide started @240 0>40"},
		{"resumed just within 48 h", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a active furosemide 40x1 from=0 at=71.9",
			"furosemide started @0 0>40; furosemide held @24 40>0; furosemide resumed @71.9 0>40"},
		{"after 48 h it is a start", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a active furosemide 40x1 from=0 at=72",
			"furosemide started @0 0>40; furosemide held @24 40>0; furosemide started @72 0>40"},
		{"a further order within 48 h of a stop is a resumption", "a active furosemide 40x1 from=0 to=24; b active furosemide 20x1 from=30",
			"furosemide started @0 0>40; furosemide stopped @24 40>0; furosemide resumed @30 0>20"},
		{"a correction leaves a hold a hold", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; a corrected furosemide 20x1 from=0 at=30",
			"furosemide started @0 0>20; furosemide held @24 20>0"},
		{"end_at within a hold", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 to=20 at=24",
			"furosemide started @0 0>40; furosemide stopped @20 40>0"},
		{"first seen on hold", "a on-hold furosemide 40x1 from=0 at=24", "furosemide started @0 0>40; furosemide held @24 40>0"},
		{"corrected together with a first version on hold", "a on-hold furosemide 40x1 from=0 at=24; a corrected furosemide 80x1 from=0 at=24",
			"furosemide started @0 0>80; furosemide held @24 80>0"},
		{"first seen stopped", "a stopped furosemide 40x1 from=0 at=24", "furosemide started @0 0>40; furosemide stopped @24 40>0"},
		{"first seen completed, end_at earlier", "a completed furosemide 40x1 from=0 to=20 at=24", "furosemide started @0 0>40; furosemide stopped @20 40>0"},
		{"first seen stopped, nobody knows when", "a stopped furosemide 40x1 from=0 at=24 undated", ""},
		{"active before it stopped, nobody knows when", "a active furosemide 40x1 from=0; a stopped furosemide 40x1 from=0 at=24 undated",
			"furosemide started @0 0>40; furosemide stopped @24 40>0"},
		{"first seen cancelled: no order", "a cancelled furosemide 40x1 from=0 at=24", ""},
		{"entered in error: no order", "a active furosemide 40x1 from=0; a entered-in-error furosemide 40x1 from=0 at=24", ""},
		{"entered in error, then entered again", "a active furosemide 40x1 from=0; a entered-in-error furosemide 40x1 from=0 at=24; a active furosemide 80x1 from=0 at=30",
			"furosemide started @0 0>80"},
		{"starts after the moment asked", "a active furosemide 40x1 from=241 at=0", ""},
		{"ends after the moment asked", "a active furosemide 40x1 from=0 to=241", "furosemide started @0 0>40"},
		{"as needed", "a active furosemide 40x1 from=0 prn", ""},
		{"on the skin", "a active lisinopril 5x1 from=0 route=topical", ""},
		// A nitrate on the skin acts all over (E-DRUG, routes); it counted nowhere before.
		{"through the skin", "a active nitroglycerin 5x1 from=0 route=topical", "nitroglycerin started @0 0>5"},
		{"a drug of no class here", "a active digoxin 0.25x1 from=0", ""},
		{"a contributing drug", "a active sertraline 50x1 from=0", "sertraline started @0 0>50"},
		{"a pressor", "a active midodrine 5x3 from=0", "midodrine started @0 0>15"},
		{"two ingredients", "a active lisinopril_20_MG_/_hydrochlorothiazide_12.5_MG_tablet 1x1 from=0 unit=tablet",
			"hydrochlorothiazide started @0 0>12.5; lisinopril started @0 0>20"},
	}
	for _, c := range cases {
		if got := steps(newChart(t).orders(c.orders).digest().Changes); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

func TestARenewalIsNoChange(t *testing.T) {
	cases := []struct{ name, orders, want string }{
		{"a new order 1.9 h before the end", "a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=22.1",
			"furosemide started @0 0>40"},
		{"a new order 2 h before the end adds up", "a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=22",
			"furosemide started @0 0>40; furosemide raised @22 40>80; furosemide lowered @24 80>40"},
		{"a new order at the end", "a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=24",
			"furosemide started @0 0>40"},
		{"a renewal in another dose", "a active furosemide 40x1 from=0 to=24; b active furosemide 80x1 from=23",
			"furosemide started @0 0>40; furosemide raised @23 40>80"},
		{"a gap of 1.9 h is bridged", "a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=25.9",
			"furosemide started @0 0>40"},
		{"a gap of 1.9 h is bridged at the old level", "a active furosemide 40x1 from=0 to=24; b active furosemide 80x1 from=25.9",
			"furosemide started @0 0>40; furosemide raised @25.9 40>80"},
		{"a gap of 2 h is one", "a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=26",
			"furosemide started @0 0>40; furosemide stopped @24 40>0; furosemide resumed @26 0>40"},
		{"a hold is no end", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; b active furosemide 40x1 from=23",
			"furosemide started @0 0>40; furosemide raised @23 40>80; furosemide lowered @24 80>40"},
		{"another drug", "a active furosemide 40x1 from=0 to=24; b active lisinopril 10x1 from=23",
			"furosemide started @0 0>40; lisinopril started @23 0>10; furosemide stopped @24 40>0"},
		{"the renewed of three", "a active furosemide 40x1 from=0 to=24; b active furosemide 40x1 from=23 to=48; c active furosemide 40x1 from=47 to=72",
			"furosemide started @0 0>40; furosemide stopped @72 40>0"},
		{"renewed within a hold and the rest of the run dropped", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=10; a active furosemide 40x1 from=0 at=20; a stopped furosemide 40x1 from=0 at=21; b active furosemide 40x1 from=19.5",
			"furosemide started @0 0>40; furosemide held @10 40>0; furosemide resumed @19.5 0>40"},
	}
	for _, c := range cases {
		if got := steps(newChart(t).orders(c.orders).digest().Changes); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

func TestHomeDrugsOrderedAgainAtAdmissionAreNotListed(t *testing.T) {
	// Admitted at hour 0.
	cases := []struct{ name, orders, want string }{
		{"before admission", "a active furosemide 40x1 from=-2", ""},
		{"12 h after admission", "a active furosemide 40x1 from=12", ""},
		{"over 12 h after admission", "a active furosemide 40x1 from=12.1", "furosemide started @12.1 0>40"},
		{"a new drug", "a active furosemide 40x1 from=2 new", "furosemide started @2 0>40"},
		{"by the vein", "a active furosemide 40x1 from=2 route=iv", "furosemide started @2 0>40"},
		{"resumed within 12 h", "a active furosemide 40x1 from=1 to=4; b active furosemide 40x1 from=8", "furosemide stopped @4 40>0"},
		{"every other step", "a active furosemide 40x1 from=1; a active furosemide 80x1 from=1 at=3; a stopped furosemide 80x1 from=1 at=9",
			"furosemide raised @3 40>80; furosemide stopped @9 80>0"},
	}
	for _, c := range cases {
		ch := newChart(t).orders(c.orders)
		ch.stay.AdmittedAt = noon
		if got := steps(ch.digest().Changes); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

func TestAStopAndAStartByAnotherRouteAreOneChangeOfRoute(t *testing.T) {
	cases := []struct{ name, orders, want string }{
		{"the start 2 h after the stop", "a active furosemide 40x1 from=0 to=24; b active furosemide 20x2 from=26 route=iv",
			"furosemide started @0 0>40; furosemide route changed @26 40>40"},
		{"the start 2 h before the stop", "a active furosemide 40x1 from=0 to=24; b active furosemide 80x1 from=22 route=iv",
			"furosemide started @0 0>40; furosemide route changed @22 40>80"},
		{"over 2 h apart", "a active furosemide 40x1 from=0 to=24; b active furosemide 20x2 from=26.1 route=iv",
			"furosemide started @0 0>40; furosemide stopped @24 40>0; furosemide started @26.1 0>40"},
		{"a hold is no stop", "a active furosemide 40x1 from=0; a on-hold furosemide 40x1 from=0 at=24; b active furosemide 20x2 from=25 route=iv",
			"furosemide started @0 0>40; furosemide held @24 40>0; furosemide started @25 0>40"},
		{"another drug", "a active furosemide 40x1 from=0 to=24; b active bumetanide 1x1 from=25 route=iv",
			"furosemide started @0 0>40; furosemide stopped @24 40>0; bumetanide started @25 0>1"},
	}
	for _, c := range cases {
		if got := steps(newChart(t).orders(c.orders).digest().Changes); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
	c := newChart(t).orders("a active furosemide 40x1 from=1 to=5 route=iv; b active furosemide 80x1 from=6")
	c.stay.AdmittedAt = noon
	changes := c.digest().Changes
	if got := steps(changes); got != "furosemide started @1 0>40; furosemide route changed @6 40>80" {
		t.Errorf("within 12 h of admission: %s", got)
	}
	if last := changes[len(changes)-1]; last.Up() || !last.Lowering || strings.Join(last.Orders, " ") != "a b" {
		t.Errorf("a change of route: up %v, orders %v", last.Up(), last.Orders)
	}
}

func TestAnAmountThatIsNotKnownHidesRaisesAndLowerings(t *testing.T) {
	cases := []struct{ name, orders, want string }{
		{"no dose", "a active furosemide ? from=0", "furosemide started @0 0>null"},
		{"no times a day", "a active furosemide 40x? from=0", "furosemide started @0 0>null"},
		{"another unit", "a active furosemide 4x1 from=0 unit=mL", "furosemide started @0 0>null"},
		{"a tablet of no stated strength", "a active furosemide 1x1 from=0 unit=tablet", "furosemide started @0 0>null"},
		{"a mass of a whole combination", "a active lisinopril_/_hydrochlorothiazide 32.5x1 from=0",
			"hydrochlorothiazide started @0 0>null; lisinopril started @0 0>null"},
		{"raised from unknown, then stopped", "a active furosemide ? from=0; a active furosemide 40x1 from=0 at=24; a stopped furosemide 40x1 from=0 at=48",
			"furosemide started @0 0>null; furosemide stopped @48 40>0"},
		{"one unknown makes the sum unknown", "a active furosemide 40x1 from=0; b active furosemide ? from=24 to=48",
			"furosemide started @0 0>40"},
		{"unknown, then stopped", "a active furosemide ? from=0 to=24", "furosemide started @0 0>null; furosemide stopped @24 null>0"},
	}
	for _, c := range cases {
		if got := steps(newChart(t).orders(c.orders).digest().Changes); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

func TestChangesSayWhatRulesAskOfThem(t *testing.T) {
	for drug, want := range map[string][2]bool{ // lowering, owes a recheck
		"furosemide": {true, true}, "amitriptyline": {false, true}, "quetiapine": {false, true}, "levodopa": {false, true},
		"ropinirole": {false, true}, "empagliflozin": {false, true}, "sertraline": {false, false}, "midodrine": {false, false},
	} {
		ch := newChart(t).orders("a active " + drug + " 10x1 from=0").digest().Changes
		if len(ch) != 1 || ch[0].Lowering != want[0] || ch[0].OwesRecheck != want[1] || strings.Join(ch[0].Orders, " ") != "a" {
			t.Errorf("%s: %+v", drug, ch)
		}
	}
}

func TestTheLatestUpIsOfABloodPressureLoweringDrug(t *testing.T) {
	d := newChart(t).orders("a active furosemide 40x1 from=0; a active furosemide 20x1 from=0 at=30; b active sertraline 50x1 from=40; c active lisinopril 5x1 from=10").digest()
	if up, ok := LatestUp(d.Changes); !ok || up.Drug != "lisinopril" {
		t.Errorf("latest up: %+v", up)
	}
	if _, ok := LatestUp(newChart(t).digest().Changes); ok {
		t.Error("a stay without orders has a latest up")
	}
}

func TestLoadStepsSumTheOrderedDailyDosesOfEachClassInDDDs(t *testing.T) {
	// DDD: furosemide 40, bumetanide 1, lisinopril 10 (WHO ATC/DDD index 2026-04-25).
	c := newChart(t).orders("a active furosemide 40x1 from=0 to=48; b active bumetanide 1x1 from=24; c active lisinopril 20x1 from=0; d active isosorbide_mononitrate ? from=0; e active furosemide 20x1 from=60 route=sc-pump")
	vs := append([]clinical.Version{{Kind: clinical.KindStay, SourceID: "S", StayID: "S", Status: clinical.Final, Body: c.stay}}, c.versions...)
	var out []string
	for _, g := range LoadSteps(clinical.ChartAt("S", vs, c.asOf), c.policy) {
		for _, p := range g.Points {
			out = append(out, fmt.Sprintf("%s @%v %s", g.Group, p.At.Sub(noon).Hours(), show(p.DDD)))
		}
	}
	wantWords(t, "steps", out, "loop diuretic @0 1, loop diuretic @24 2, loop diuretic @48 1, loop diuretic @60 null, ACE inhibitor @0 2, nitrate @0 null")
}

func TestTheRulesOfChangesAndNotesHaveTheirIds(t *testing.T) {
	if ChangeRules[0].ID != Started || NoteRules[0].ID != NoteRestNotCharted || ChangeRules[0].Source == "" {
		t.Errorf("%+v, %+v", ChangeRules[0], NoteRules[0])
	}
}
