package trends

import (
	"fmt"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// bleedingAt is what BleedingAround tells of a fall at noon.
func bleedingAt(c *chart) Bleeding {
	vs := append([]clinical.Version{{
		Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: c.stay,
	}}, c.versions...)
	return BleedingAround(clinical.ChartAt("S", vs, c.asOf), noon)
}

// around writes it, in hours from the fall.
func around(c *chart) string {
	b := bleedingAt(c)
	out := ""
	hours := func(name string, t *time.Time) string {
		if t == nil {
			return ""
		}
		return fmt.Sprintf(" %s %g", name, t.Sub(noon).Hours())
	}
	for _, d := range b.Drugs {
		out += d.Name
		if d.Ordered {
			out += " ordered"
		}
		out += hours("until", d.Stopped) + hours("given", d.LastGiven) + hours("since", d.Since) + "; "
	}
	return out + fmt.Sprint(b.Unrecognised)
}

// ahead is a dose that was charted as given at an hour still to come.
func ahead(text string, at float64) clinical.Version {
	return clinical.Version{
		SourceID: "d", Status: clinical.Completed, RecordedAt: hoursOn(-1),
		Body: clinical.Dose{Drug: clinical.Drug{Text: text}, GivenAt: hoursOn(at)},
	}
}

// ATC group B01A: the index; the window of seven days: from memory, see bleedingWindow.
func TestDrugsThatMakeAFallMoreDangerous(t *testing.T) {
	for name, tc := range map[string]struct {
		chart *chart
		want  string
	}{
		"none":                                {newChart(t).order("o", "furosemide", 40, 1, -48), "[]"},
		"ordered and given":                   {newChart(t).order("o", "apixaban 5 mg", 5, 2, -48).dose("d1", "apixaban", 5, -16).dose("d2", "apixaban", 5, -4), "apixaban ordered given -4; []"},
		"unknown, for the eye":                {newChart(t).orders("o active study_eye_drops 1x1 from=-48"), "[]"},
		"another drug and one of the group":   {newChart(t).dose("d", "lisinopril / warfarin", 3, -4), "warfarin given -4; []"},
		"ordered alone":                       {newChart(t).order("o", "warfarin", 3, 1, -48), "warfarin ordered; []"},
		"begins at the fall":                  {newChart(t).order("o", "warfarin", 3, 1, 0).dose("d", "warfarin", 3, 0), "warfarin ordered given 0; []"},
		"stopped before":                      {newChart(t).orders("o active warfarin 3x1 from=-100 to=-30").dose("d", "warfarin", 3, -50), "warfarin until -30 given -50; []"},
		"ends at the fall":                    {newChart(t).orders("o active warfarin 3x1 from=-100 to=0"), "warfarin until 0; []"},
		"a week before":                       {newChart(t).dose("d", "warfarin", 3, -168).orders("o active heparin 3x1 from=-200 to=-168"), "heparin until -168; warfarin given -168; []"},
		"longer ago":                          {newChart(t).dose("d", "warfarin", 3, -168.1).orders("o active heparin 3x1 from=-200 to=-168.1"), "[]"},
		"since":                               {newChart(t).order("o", "enoxaparin", 40, 1, 6).dose("d", "enoxaparin", 40, 7), "enoxaparin since 6; []"},
		"given before and on":                 {newChart(t).dose("d1", "clopidogrel", 75, -5).dose("d2", "clopidogrel", 75, 19), "clopidogrel given -5 since 19; []"},
		"by its code":                         {newChart(t).orders("o active blend 1x1 from=-3 atc=B01AC30"), "blend ordered; []"},
		"nobody knows":                        {newChart(t).order("o", "study drug", 1, 1, -3).dose("d", "study drug", 1, -2).dose("e", "old drug", 1, -169), "[study drug]"},
		"not done":                            {newChart(t).doseAs("d", clinical.NotDone, clinical.Dose{Drug: clinical.Drug{Text: "warfarin"}, GivenAt: hoursOn(-3)}), "[]"},
		"where it is put":                     {newChart(t).orders("o active heparin 1x1 from=-3 route=topical"), "[]"},
		"given, not yet known":                {newChart(t).dose("d", "warfarin", 3, 6).at(5), "[]"},
		"charted ahead":                       {newChart(t).add(ahead("warfarin", 6)).at(5.9), "[]"},
		"charted ahead, by then":              {newChart(t).add(ahead("warfarin", 6)).at(6), "warfarin since 6; []"},
		"ordered, and another order ended":    {newChart(t).orders("o active warfarin 3x1 from=-100; p active warfarin 1x1 from=-100 to=-30"), "warfarin ordered until -30; []"},
		"the latest end":                      {newChart(t).orders("o active warfarin 3x1 from=-100 to=-30; p active warfarin 1x1 from=-100 to=-50"), "warfarin until -30; []"},
		"the latest end, the other way round": {newChart(t).orders("o active warfarin 3x1 from=-100 to=-50; p active warfarin 1x1 from=-100 to=-30"), "warfarin until -30; []"},
		"the last dose, whatever the ids":     {newChart(t).dose("a", "warfarin", 3, -4).dose("b", "warfarin", 3, -28), "warfarin given -4; []"},
		"first given, then ordered":           {newChart(t).order("o", "warfarin", 3, 1, 9).dose("d", "warfarin", 3, 7), "warfarin since 7; []"},
		"by name":                             {newChart(t).order("a", "warfarin", 3, 1, -9).order("b", "heparin", 1, 1, -9).order("c", "apixaban", 5, 2, -9), "apixaban ordered; heparin ordered; warfarin ordered; []"},
		"unrecognised, by name":               {newChart(t).order("a", "study drug", 1, 1, -9).order("b", "old drug", 1, 1, -9).dose("d", "study drug", 1, -2), "[old drug study drug]"},
		"two of one kind":                     {newChart(t).order("o1", "warfarin", 3, 1, -48).order("o2", "warfarin", 1, 1, -24), "warfarin ordered; []"},
	} {
		if got := around(tc.chart); got != tc.want {
			t.Errorf("%s: %s, want %s", name, got, tc.want)
		}
	}
}

func TestAnOrderAsNeededCountsByItsDoses(t *testing.T) {
	asNeeded := func() *chart {
		return newChart(t).add(clinical.Version{SourceID: "o", Status: clinical.Active, Body: clinical.Order{
			Drug: clinical.Drug{Text: "aspirin"}, StartAt: hoursOn(-5), AsNeeded: true,
		}})
	}
	if got := around(asNeeded()); got != "[]" {
		t.Errorf("never given: %s", got)
	}
	if got := around(asNeeded().dose("d", "aspirin", 300, -1)); got != "acetylsalicylic acid given -1; []" {
		t.Errorf("given: %s", got)
	}
}

// source_ids are unique within a kind alone: an order and a dose may share one.
func TestABleedingDrugNamesItsFactsOnce(t *testing.T) {
	b := bleedingAt(newChart(t).order("1", "warfarin", 3, 1, -48).order("2", "warfarin", 1, 1, -24).dose("1", "warfarin", 3, -6).dose("9", "warfarin", 3, -200))
	if len(b.Drugs) != 1 {
		t.Fatalf("%d drugs, want warfarin", len(b.Drugs))
	}
	wantWords(t, "facts", b.Drugs[0].Facts, "1, 2")
}

// A drug that was begun after the fall cannot have made it more dangerous.
func TestOnADrugAtTheFallOrShortlyBefore(t *testing.T) {
	when := ptr(noon)
	for name, tc := range map[string]struct {
		drug Antithrombotic
		want bool
	}{
		"since alone":        {Antithrombotic{Since: when}, false},
		"ordered":            {Antithrombotic{Ordered: true}, true},
		"order ended before": {Antithrombotic{Stopped: when}, true},
		"given before":       {Antithrombotic{LastGiven: when}, true},
		"all of them":        {Antithrombotic{Ordered: true, Stopped: when, LastGiven: when, Since: when}, true},
	} {
		if got := tc.drug.At(); got != tc.want {
			t.Errorf("%s: %v, want %v", name, got, tc.want)
		}
	}
}

// What stands beside a fall wherever it stands: E-BLEED in short. What only keeps a line
// open is not called a drug that makes a fall bleed (E-GIVEN).
func TestAFallCarriesTheDrugsThatMakeItBleed(t *testing.T) {
	hours := func(at *time.Time) string {
		if at == nil {
			return "-"
		}
		return fmt.Sprint(at.Sub(noon).Hours())
	}
	for name, tc := range map[string]struct {
		chart *chart
		want  string
	}{
		"none":        {newChart(t), ""},
		"on it":       {newChart(t).order("o", "enoxaparin", 40, 1, -48).dose("d", "enoxaparin", 40, -1.5), "enoxaparin given -1.5 stopped - since -; "},
		"never given": {newChart(t).order("o", "warfarin", 3, 1, -48), "warfarin given - stopped - since -; "},
		"stopped":     {newChart(t).orders("o active warfarin 3x1 from=-100 to=-30"), "warfarin given - stopped -30 since -; "},
		"another one ended": {newChart(t).orders("o active warfarin 3x1 from=-100; p active warfarin 1x1 from=-100 to=-30"),
			"warfarin given - stopped - since -; "},
		"begun since":     {newChart(t).order("o", "enoxaparin", 40, 1, 6), "enoxaparin given - stopped - since 6; "},
		"again since":     {newChart(t).dose("a", "apixaban", 5, -5).dose("b", "apixaban", 5, 7), "apixaban given -5 stopped - since -; "},
		"a line kept":     {newChart(t).order("o", "heparin flush", 10, 3, -48).dose("d", "heparin flush", 10, -1), ""},
		"after the chart": {newChart(t).order("o", "enoxaparin", 40, 1, 6).at(5), ""},
	} {
		tc.chart.body("f", clinical.Fall{FellAt: noon})
		d := tc.chart.digest()
		got := ""
		for _, b := range d.Falls[0].Bleeds {
			got += b.Drug + " given " + hours(b.LastGiven) + " stopped " + hours(b.Stopped) + " since " + hours(b.Since) + "; "
		}
		if got != tc.want {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
	}
}

// A drug that only keeps a line open is named apart, so that nobody reads "none charted" above it; what is
// given in a full dose too is no such drug.
func TestWhatOnlyKeptALineOpenAroundAFall(t *testing.T) {
	for name, c := range map[string]struct {
		chart *chart
		want  string
	}{
		"a line kept":          {newChart(t).order("o", "heparin flush", 10, 3, -48).dose("d", "heparin flush", 10, -1), "heparin"},
		"and a full dose":      {newChart(t).dose("d", "heparin flush", 10, -1).dose("e", "heparin", 5000, -2), ""},
		"none":                 {newChart(t).order("o", "furosemide", 40, 1, -48), ""},
		"long before the fall": {newChart(t).dose("d", "heparin flush", 10, -169), ""},
	} {
		wantWords(t, name, bleedingAt(c.chart).LineOnly, c.want)
	}
}
