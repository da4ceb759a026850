package trends

import (
	"testing"

	"plumbline/internal/clinical"
)

// V-PLAUSIBLE: what is not believed is named. "Not charted" is said only of what was not.
func TestASetTellsWhyItHasNoPressure(t *testing.T) {
	for spec, want := range map[string][2]Word{
		"0 lying 1200/80; 2 standing 110/70":                                   {NotBelieved, ""},
		"0 lying 150/90; 2 standing 90/150":                                    {"", NotBelieved},
		"0 lying 1200/80 set=A; 2 standing 90/150 set=A":                       {NotBelieved, NotBelieved},
		"0 lying 150/90; 2 standing":                                           {"", ""},
		"0 lying 150/90; 1 standing 90/150; 3 standing 120/80":                 {"", ""},
		"0 lying 1200/80 set=A; 1 lying 150/90 set=A; 3 standing 120/80 set=A": {"", ""},
	} {
		set := setOf(t, spec)
		if set.NoBaseline != want[0] || set.NoUpright() != want[1] {
			t.Errorf("%s: at rest %q, upright %q; want %q", spec, set.NoBaseline, set.NoUpright(), want)
		}
	}
}

// What the bedside form charts where the cuff could not read is told from the moment at which
// the patient was sat down, and from a feed's reading without figures.
func TestACuffThatCouldNotReadIsTold(t *testing.T) {
	for _, c := range []struct {
		feed, base, upright string
		want                [2]Word
	}{
		{clinical.BedsideFeed, "bedside-1-base", "bedside-1-first", [2]Word{CouldNotRead, CouldNotRead}},
		{clinical.BedsideFeed, "bedside-1-base", "bedside-1-stop", [2]Word{CouldNotRead, ""}},
		{"vitals", "v-1", "v-2", [2]Word{"", ""}},
	} {
		chart := newChart(t).readings("0 lying set=A id=" + c.base + "; 2 standing stop set=A id=" + c.upright)
		for n := range chart.versions {
			chart.versions[n].Feed = c.feed
		}
		if set := chart.set(); set.NoBaseline != c.want[0] || set.NoUpright() != c.want[1] {
			t.Errorf("%s: at rest %q, upright %q; want %q", c.upright, set.NoBaseline, set.NoUpright(), c.want)
		}
	}
}
