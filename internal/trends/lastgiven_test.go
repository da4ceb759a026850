package trends

import (
	"fmt"
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

// givenAt writes E-GIVEN at an hour: name, group, "line", amount and hours since, how it is
// ordered, and the doses not done since.
func givenAt(c *chart, at float64) string {
	c.at(at)
	var out []string
	for _, g := range c.exposures().LastGiven {
		s := g.Name + " [" + g.ExposedGroup() + "]"
		if g.LineOnly {
			s += " line"
		}
		if g.GivenAt != nil {
			s += fmt.Sprintf(" %s%s %gh", show(g.Dose), g.DoseUnit, *g.Hours)
		}
		switch {
		case g.AsNeeded():
			s += " as needed"
		case g.Ordered:
			s += " ordered"
		}
		if g.NotDoneSince > 0 {
			s += fmt.Sprintf(" %d not done", g.NotDoneSince)
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

// notDone is a dose that was not given.
func (c *chart) notDone(id, text string, at float64) *chart {
	return c.doseAs(id, clinical.NotDone, clinical.Dose{Drug: clinical.Drug{Text: text}, GivenAt: hoursOn(at)})
}

// E-GIVEN, sentence by sentence.
func TestTheLastGivenDoseOfEachDrug(t *testing.T) {
	for name, tc := range map[string]struct {
		chart *chart
		want  string
	}{
		"nothing":                                 {newChart(t), ""},
		"ordered and never given":                 {newChart(t).orders("o active lisinopril 10x1 from=-9"), "lisinopril [ACE inhibitor] ordered"},
		"the last of two doses":                   {newChart(t).dose("a", "sertraline", 50, -30).dose("b", "sertraline", 100, -6), "sertraline [contributing] 100mg 6h"},
		"of equal times the larger id":            {newChart(t).dose("b", "midodrine", 5, -6).dose("a", "midodrine", 10, -6), "midodrine [pressor] 5mg 6h"},
		"given long ago":                          {newChart(t).dose("a", "Eliquis", 5, -200), "apixaban [anticoagulant] 5mg 200h"},
		"as-needed only":                          {newChart(t).orders("o active lorazepam 1x? from=-9 prn").dose("a", "lorazepam", 1, -5), "lorazepam [contributing] 1mg 5h as needed"},
		"as-needed and never given":               {newChart(t).orders("o active lorazepam 1x? from=-9 prn"), ""},
		"as-needed beside a standing":             {newChart(t).orders("o active lorazepam 1x? from=-9 prn; p active lorazepam 1x1 from=-9"), "lorazepam [contributing] ordered"},
		"a standing one, then as-needed":          {newChart(t).orders("o active lorazepam 1x1 from=-9; p active lorazepam 1x? from=-9 prn"), "lorazepam [contributing] ordered"},
		"ends at the very moment":                 {newChart(t).orders("o active warfarin 3x1 from=-30 to=0"), "warfarin [anticoagulant]"},
		"one that is not named, then one that is": {newChart(t).orders("o active lisinopril 3x1 from=-30 to=-20").dose("a", "sertraline", 50, -30), "sertraline [contributing] 50mg 30h"},
		"one of no group, then one of a group":    {newChart(t).dose("a", "digoxin / lisinopril", 5, -3), "lisinopril [ACE inhibitor] 5mg 3h"},
		"by name, and what keeps a line open last": {newChart(t).orders("a active sertraline 50x1 from=-9; b active heparin_flush 100x1 from=-9; c active heparin 100x1 from=-9; d active lisinopril 5x1 from=-9"),
			"heparin [anticoagulant] ordered; heparin [anticoagulant] line ordered; lisinopril [ACE inhibitor] ordered; sertraline [contributing] ordered"},
		"of one name by code": {newChart(t).orders("a active own_mix 1x1 from=-9 atc=N06AX99; b active own_mix 1x1 from=-9 atc=C09XX99; c active own_mix 1x1 from=-9 atc=C02DX99"),
			"own mix [vasodilator] ordered; own mix [other renin-angiotensin] ordered; own mix [contributing] ordered"},
		"an antiplatelet":                {newChart(t).orders("o active aspirin 100x1 from=-9"), "acetylsalicylic acid [antiplatelet] ordered"},
		"a thrombolytic":                 {newChart(t).dose("a", "alteplase", 50, -1), "alteplase [thrombolytic] 50mg 1h"},
		"a drug of none of the groups":   {newChart(t).orders("o active digoxin 0.25x1 from=-9").dose("a", "digoxin", 0.25, -1), ""},
		"migraine's clonidine":           {newChart(t).orders("o active clonidine 0.1x1 from=-9 atc=N02CX02"), ""},
		"order of B01A ended within 7 d": {newChart(t).orders("o active warfarin 3x1 from=-300 to=-167.9"), "warfarin [anticoagulant]"},
		"ended 7 d ago":                  {newChart(t).orders("o active warfarin 3x1 from=-300 to=-168"), ""},
		"put on hold within 7 d":         {newChart(t).orders("o active warfarin 3x1 from=-300; o on-hold warfarin 3x1 from=-300 at=-20"), "warfarin [anticoagulant]"},
		"as-needed order of B01A ended":  {newChart(t).orders("o active warfarin 3x? from=-300 to=-20 prn"), ""},
		"another drug's order ended":     {newChart(t).orders("o active lisinopril 3x1 from=-30 to=-20"), ""},
		"not done since":                 {newChart(t).dose("a", "apixaban", 5, -30).notDone("b", "apixaban", -18).notDone("c", "apixaban", -6).notDone("d", "apixaban", -40), "apixaban [anticoagulant] 5mg 30h 2 not done"},
		"not done at the very time":      {newChart(t).dose("a", "apixaban", 5, -30).notDone("b", "apixaban", -30), "apixaban [anticoagulant] 5mg 30h"},
		"none given: all not done":       {newChart(t).orders("o active apixaban 5x2 from=-30").notDone("b", "apixaban", -18).notDone("c", "apixaban", -6), "apixaban [anticoagulant] ordered 2 not done"},
		"not done alone":                 {newChart(t).notDone("b", "apixaban", -18), ""},
		"where it is put":                {newChart(t).orders("o active timolol_eye_drops 1x2 from=-9"), ""},
		"a line kept open apart": {newChart(t).orders("o active heparin 5000x2 from=-9 route=sc; p active heparin_flush 100x3 from=-9 route=iv").dose("d", "heparin", 5000, -2),
			"heparin [anticoagulant] 5000mg 2h ordered; heparin [anticoagulant] line ordered"},
		"the order's text says lock": {newChart(t).orders("o active heparin_lock 100x? from=-9 prn").
			doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "heparin"}, OrderID: "o", GivenAt: hoursOn(-2)}),
			"heparin [anticoagulant] line null 2h as needed"},
		"blocked is no lock":              {newChart(t).dose("d", "heparin blocked", 5000, -2), "heparin [anticoagulant] 5000mg 2h"},
		"another drug is never line only": {newChart(t).dose("d", "enoxaparin flush", 40, -2), "enoxaparin [anticoagulant] 40mg 2h"},
		"a combination, each":             {newChart(t).dose("d", "lisinopril / sertraline", 40, -2), "lisinopril [ACE inhibitor] 40mg 2h; sertraline [contributing] 40mg 2h"},
	} {
		if got := givenAt(tc.chart, 0); got != tc.want {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
	}
}

func TestFalseStandsBeforeTrue(t *testing.T) {
	for _, c := range []struct {
		a, b bool
		want int
	}{{false, false, 0}, {true, true, 0}, {false, true, -1}, {true, false, 1}} {
		if got := compareBool(c.a, c.b); got != c.want {
			t.Errorf("%v and %v: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

// A digest holds until the next fact; what ended a week ago is named no longer meanwhile.
func TestTheLastGivenDosesAsTimePasses(t *testing.T) {
	c := newChart(t).orders("o active warfarin 3x1 from=-300 to=-160").at(0)
	d := c.digest()
	for at, want := range map[float64]int{0: 1, 7.9: 1, 8: 0} {
		if got := len(ExposuresAt(d, c.policy, hoursOn(at)).LastGiven); got != want {
			t.Errorf("hour %v: %d drugs, want %d", at, got, want)
		}
	}
}

// The page of a fall asks for the moment of the fall by what is known now.
func TestTheLastGivenDosesAtAnEarlierMoment(t *testing.T) {
	c := newChart(t).orders("o active warfarin 3x1 from=-30 to=-3; p active apixaban 5x2 from=-2").
		dose("a", "warfarin", 3, -20).dose("b", "apixaban", 5, -1).at(0)
	var out []string
	for _, g := range LastGivenAt(clinical.ChartAt("S", c.versions, c.asOf), hoursOn(-10)) {
		out = append(out, fmt.Sprint(g.Name, " ", *g.Hours, " ", g.Ordered))
	}
	wantWords(t, "ten hours before", out, "warfarin 10 true")
	if got := LastGivenAt(clinical.ChartAt("S", c.versions, c.asOf), hoursOn(-2)); len(got) != 2 {
		t.Errorf("at the very start of an order: %v", got)
	}
	// On hold at that moment, and ended for good only since.
	c = newChart(t).orders("o active warfarin 3x1 from=-60 to=-1; o on-hold warfarin 3x1 from=-60 to=-1 at=-12; o active warfarin 3x1 from=-60 to=-1 at=-3").at(0)
	if got := LastGivenAt(clinical.ChartAt("S", c.versions, c.asOf), hoursOn(-10)); len(got) != 1 || got[0].Ordered {
		t.Errorf("on hold since two hours: %v", got)
	}
}

// What a unit's nurses cannot judge goes out of the day as it passes (D-UNKNOWN).
func TestUnknownDrugsAsTimePasses(t *testing.T) {
	c := newChart(t).dose("d", "study drug", 1, -23).at(0)
	for at, want := range map[float64]int{0: 1, 0.9: 1, 1: 0} {
		if got := ExposuresAt(c.digest(), c.policy, hoursOn(at)).Unknown; len(got) != want {
			t.Errorf("hour %v: %v", at, got)
		}
	}
	if got := newChart(t).dose("d", "study drug", 1, -24).at(0).digest().Unknown; len(got) != 0 {
		t.Errorf("given a day ago: %v", got)
	}
}

// Each order and dose of an unknown drug is told, wherever it stands among the others.
func TestTheFactsOfAnUnknownDrug(t *testing.T) {
	c := newChart(t).orders("a active study_drug 1x1 from=-9 prn; b active study_drug 1x1 from=-9; c active study_drug 1x1 from=-9").
		notDone("d", "study drug", -5).dose("e", "study drug", 1, -4).at(0)
	got := c.exposures().Unknown
	if len(got) != 1 || strings.Join(got[0].Facts, " ") != "b c e" {
		t.Errorf("%+v", got)
	}
}

// D-UNKNOWN: what nobody knows and is active, by a route that is not local.
func TestUnknownDrugsThatAreActive(t *testing.T) {
	for name, tc := range map[string]struct {
		chart *chart
		want  string
	}{
		"ordered":                   {newChart(t).orders("o active study_drug 1x1 from=-9"), "study drug"},
		"as-needed":                 {newChart(t).orders("o active study_drug 1x1 from=-9 prn"), ""},
		"ended":                     {newChart(t).orders("o active study_drug 1x1 from=-9 to=-1"), ""},
		"given":                     {newChart(t).dose("d", "study drug", 1, -23.9), "study drug"},
		"given a day ago":           {newChart(t).dose("d", "study drug", 1, -24), ""},
		"not done":                  {newChart(t).notDone("d", "study drug", -1), ""},
		"for the eye":               {newChart(t).orders("o active study_eye_drops 1x1 from=-9"), ""},
		"on the skin":               {newChart(t).orders("o active study_drug 1x1 from=-9 route=topical"), ""},
		"known":                     {newChart(t).orders("o active furosemide 40x1 from=-9"), ""},
		"by name, as charted, once": {newChart(t).orders("o active b 1x1 from=-9; p active B 1x1 from=-9; q active b 1x1 from=-9"), "B, b"},
		"a dose with the drug of its order": {newChart(t).orders("o active furosemide 40x1 from=-9").
			doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "1 tablet"}, OrderID: "o", GivenAt: hoursOn(-2)}), ""},
	} {
		var out []string
		for _, u := range tc.chart.at(0).exposures().Unknown {
			out = append(out, u.Text)
		}
		wantWords(t, name, out, tc.want)
	}
	c := newChart(t).orders("o active Study_Drug 1x1 from=-9").at(0)
	c.policy.Drugs.OfNoConcern = []string{"study drug"}
	if got := c.exposures().Unknown; len(got) != 0 {
		t.Errorf("of no concern: %v", got)
	}
}

// A dose that tells no drug or no route has that of its order (E-DRUG).
func TestADoseHasWhatItDoesNotTellFromItsOrder(t *testing.T) {
	dose := func(text, route, order string) *chart {
		return newChart(t).orders("o active furosemide 40x1 from=-9 route=iv; e active study_eye_drops 1x1 from=-9; s active nitroglycerin_patch 5x1 from=-9").
			doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: text}, Route: route, OrderID: order, GivenAt: hoursOn(-2), Dose: ptr(20.0), DoseUnit: "mg"})
	}
	for name, tc := range map[string]struct {
		chart *chart
		want  string
	}{
		"drug and route of the order":   {dose("as ordered", "", "o"), "furosemide parenteral"},
		"its own drug, the order's way": {dose("torasemide", "", "o"), "torasemide parenteral"},
		"its own way":                   {dose("as ordered", "po", "o"), "furosemide oral"},
		"no order":                      {dose("furosemide", "", ""), "furosemide oral"},
		"an order of another stay":      {dose("furosemide", "", "zz"), "furosemide oral"},
		"the order's text tells":        {dose("nitroglycerin", "", "s"), "nitroglycerin transdermal"},
		"a local way by the order":      {dose("timolol", "", "e"), ""},
		"an unknown one of an unknown order": {newChart(t).orders("o active study_drug 1x1 from=-9").
			doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "1 tablet"}, OrderID: "o", GivenAt: hoursOn(-2)}), ""},
		"not done, then given": {newChart(t).notDone("a", "furosemide", -3).dose("b", "furosemide", 40, -2), "furosemide oral"},
		"a dose named as its order is": {newChart(t).orders("o active furosemide 40x1 from=-9 route=iv").
			doseAs("o", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "as ordered"}, OrderID: "o", GivenAt: hoursOn(-2)}), "furosemide parenteral"},
		"its own words first": {dose("furosemide eye drops", "", "o"), ""},
	} {
		var out []string
		for _, g := range tc.chart.at(0).digest().Given {
			out = append(out, g.Name+" "+g.Route)
		}
		wantWords(t, name, out, tc.want)
	}
}

// Issue: courses were kept by name, so that the first order's code decided for all.
func TestEachOrderIsJudgedByItsOwnCode(t *testing.T) {
	c := newChart(t).orders("a active clonidine 0.1x1 from=-48 atc=N02CX02; b active clonidine 0.1x3 from=-9 atc=C02AC01").at(0)
	if got := steps(c.digest().Changes); got != "clonidine started @-9 0>0.30000000000000004" {
		t.Errorf("changes: %s", got)
	}
	e := c.exposures()
	if e.Load == nil || fmt.Sprintf("%.9f", *e.Load) != fmt.Sprintf("%.9f", 0.3/0.45) {
		t.Errorf("load %s, want 0.3/0.45", show(e.Load))
	}
	var groups []string
	for _, a := range e.Active {
		groups = append(groups, string(a.Group()))
	}
	wantWords(t, "active", groups, "central antihypertensive, ") // by the codes of the two
}
