package alerts

import (
	"slices"
	"testing"

	"plumbline/internal/trends"
)

func TestWhatFellDueToTheMoment(t *testing.T) {
	turns65 := withSets(young(), negative(-400), negative(-30)) // the age that a policy screens from
	turns65.Stay.AdmittedAt, turns65.Stay.BirthDate = hour(-410), "1961-11-18"
	fellLater := withFall(withSets(young(), negative(-400)), -300, "none")
	fellLater.Stay.AdmittedAt = hour(-410)
	at := func(d trends.Digest, kind string, hours float64) trends.Digest {
		return withChanges(d, append(slices.Clone(d.Changes), change("furosemide", kind, hours, true, kind == trends.Raised))...)
	}
	for _, c := range []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"due at the very moment asked", withFall(young(), -4, "none"), "R-FALL@0!"},
		{"a fall met by a set that starts with it", withFall(withSets(young(), negative(-70)), -70, "none"), "R-FALL@-66>-70"},
		{"at risk by age only after the set", turns65, ""},
		{"at risk since a fall", fellLater, "R-FALL@-296! R-WEEKLY@-232!"},
		{"a raise between two sets", at(withSets(young(), positive(-30), negative(-10)), trends.Raised, -25), "R-POSITIVE@-13>-10! R-DRUG@-1>-10"},
		{"a dose lowered after it fell due changes nothing", at(withSets(young(), positive(-30)), trends.Lowered, -10), "R-POSITIVE@-18!"},
		{"withdrawn at the very moment it fell due", at(withSets(young(), positive(-30)), trends.Raised, -18), "R-POSITIVE@-6!"},
		{"two demands of one time, one of them ended", at(withSets(young(), positive(-40), symptoms(-30)), trends.Raised, -15),
			"R-POSITIVE@-28>-30 R-POSITIVE@-18! R-REPEAT@-18! R-POSITIVE@-3!"},
	} {
		if got := rechecks(c.stay); got != c.want {
			t.Errorf("%s: %q\nwant %q", c.name, got, c.want)
		}
	}
}
