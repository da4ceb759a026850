package alerts

import (
	"slices"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

func TestAConclusiveSetIsNeverRepeatedWhateverTheQuietTime(t *testing.T) {
	for _, s := range []trends.Set{negative(-1), positive(-1)} {
		a := assessWith(withSets(young(), s), func(p *clinical.Policy) { p.Recheck.RepeatQuietHours = 0 })
		if slices.ContainsFunc(a.Recheck.Open, func(i Instance) bool { return i.Rule == RRepeat }) {
			t.Errorf("after a %s set: %+v", s.Finding, a.Recheck.Open)
		}
	}
}

func TestASetThatStartsWithTheFallMeetsItsRecheck(t *testing.T) {
	if got, want := rechecks(withFall(withSets(young(), negative(-70)), -70, "none")), "R-FALL@-66>-70"; got != want {
		t.Errorf("fell due %q, want %q", got, want)
	}
}
