package trends

import (
	"strings"
	"testing"
)

// An emergency that no set tells is kept, the newest of each kind: a set tells what was felt upright in it
// and pain in the chest at its baseline. A loss of consciousness at rest no set tells.
func TestEmergenciesThatNoSetTells(t *testing.T) {
	for _, c := range []struct{ what, readings, want string }{
		{"nothing charted", "0 lying 120/70", ""},
		{"lying", "0 lying 120/70 id=a sym=loss_of_consciousness", "loss of consciousness a"},
		{"both kinds", "0 lying 120/70 id=a sym=loss_of_consciousness; 30 - 120/70 id=b sym=chest_pain", "loss of consciousness a, chest pain b"},
		{"both at one reading", "0 - -/- id=a sym=loss_of_consciousness+chest_pain", "loss of consciousness a, chest pain a"},
		{"the newest of a kind", "0 lying 120/70 id=a sym=chest_pain; 30 lying 120/70 id=b sym=chest_pain", "chest pain b"},
		{"another symptom", "0 lying 120/70 id=a sym=nausea", ""},
		{"felt upright in a set", "0 lying 120/70 id=a; 3 standing 90/60 id=b sym=loss_of_consciousness+chest_pain", ""},
		{"at the baseline of a set", "0 lying 120/70 id=a sym=loss_of_consciousness; 3 standing 118/70 id=b", "loss of consciousness a"},
		{"both at the baseline of a set", "0 lying 120/70 id=a sym=loss_of_consciousness+chest_pain; 3 standing 118/70 id=b", "loss of consciousness a"},
		{"pain at the baseline of a set", "0 lying 120/70 id=a sym=chest_pain; 3 standing 118/70 id=b", ""},
	} {
		if got := emergenciesIn(newChart(t).readings(c.readings)); got != c.want {
			t.Errorf("%s: %q, want %q", c.what, got, c.want)
		}
	}
}

// A cuff that could not read is an emergency in a set and outside of one, until a pressure was read.
func TestACuffThatCouldNotReadUntilOneDid(t *testing.T) {
	unread := Reading{SourceID: "u", At: minutesOn(10), WhyNone: CouldNotRead}
	systolic := 120.0
	for name, c := range map[string]struct {
		readings []Reading
		want     int
	}{
		"the newest":                 {[]Reading{unread}, 1},
		"a pressure before":          {[]Reading{{At: minutesOn(0), Systolic: &systolic}, unread}, 1},
		"a pressure since":           {[]Reading{unread, {At: minutesOn(20), Systolic: &systolic}}, 0},
		"a pulse alone since":        {[]Reading{unread, {At: minutesOn(20)}}, 1},
		"not believed, and no other": {[]Reading{{At: minutesOn(10), WhyNone: NotBelieved}}, 0},
	} {
		got := emergencies(c.readings, nil)
		if len(got) != c.want || c.want == 1 && (got[0].SourceID != "u" || got[0].What != CouldNotRead || !got[0].At.Equal(unread.At)) {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

func emergenciesIn(c *chart) string {
	var out []string
	for _, e := range c.digest().Emergencies {
		out = append(out, e.What+" "+e.SourceID)
	}
	return strings.Join(out, ", ")
}
