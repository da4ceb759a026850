package trends

import (
	"testing"
	"time"
)

// A negative set from before a fall, or the start, raise or resumption of a drug that asks
// for a recheck, is overtaken; a set at the very moment of a fall comes after it (T-FALL), one
// at the moment of a change does not (T-CLEAR: sets that start after it).
func TestWhatOvertakesANegativeSet(t *testing.T) {
	at := func(h int) time.Time { return time.Date(2026, 11, 20, h, 0, 0, 0, time.UTC) }
	fall := func(h int) FallFact { return FallFact{SourceID: "f", At: at(h)} }
	up := func(change string, h int) Change {
		return Change{Drug: "furosemide", Change: change, At: at(h), Lowering: true, OwesRecheck: true}
	}
	negative := Set{StartedAt: at(10), Finding: Negative}
	for what, c := range map[string]struct {
		falls   []FallFact
		changes []Change
		want    *Overtaken
	}{
		"nothing":                  {},
		"a fall before it":         {falls: []FallFact{fall(9)}},
		"a fall at its start":      {falls: []FallFact{fall(10)}},
		"a fall after it":          {falls: []FallFact{fall(11)}, want: &Overtaken{At: at(11)}},
		"of two falls the latest":  {falls: []FallFact{fall(11), fall(13)}, want: &Overtaken{At: at(13)}},
		"a start before it":        {changes: []Change{up(Started, 9)}},
		"a start at its moment":    {changes: []Change{up(Started, 10)}, want: &Overtaken{at(10), "furosemide", Started}},
		"a raise":                  {changes: []Change{up(Raised, 12)}, want: &Overtaken{at(12), "furosemide", Raised}},
		"a resumption":             {changes: []Change{up(Resumed, 12)}, want: &Overtaken{at(12), "furosemide", Resumed}},
		"a lower dose":             {changes: []Change{up(Lowered, 12)}},
		"a stop":                   {changes: []Change{up(StoppedDrug, 12)}},
		"a drug that asks nothing": {changes: []Change{{Drug: "midodrine", Change: Started, At: at(12)}}},
		"of two falls the latest, whatever their order": {falls: []FallFact{fall(13), fall(11)}, want: &Overtaken{At: at(13)}},
		"one that lowers alone": {
			changes: []Change{{Drug: "amlodipine", Change: Started, At: at(12), Lowering: true}},
			want:    &Overtaken{at(12), "amlodipine", Started},
		},
		"one of R-DRUG alone": {
			changes: []Change{{Drug: "haloperidol", Change: Started, At: at(12), OwesRecheck: true}},
			want:    &Overtaken{at(12), "haloperidol", Started},
		},
		"a fall before a later raise": {
			falls: []FallFact{fall(11)}, changes: []Change{up(Raised, 13)}, want: &Overtaken{At: at(11)},
		},
	} {
		got := Digest{Falls: c.falls, Changes: c.changes}.Overtaken(negative)
		if (got == nil) != (c.want == nil) || got != nil && *got != *c.want {
			t.Errorf("%s: %+v, want %+v", what, got, c.want)
		}
	}
	for _, finding := range []string{Positive, SymptomsOnly, Inconclusive} {
		d := Digest{Falls: []FallFact{fall(11)}}
		if got := d.Overtaken(Set{StartedAt: at(10), Finding: finding}); got != nil {
			t.Errorf("%s: %+v", finding, got)
		}
	}
}
