package alerts

import (
	"testing"

	"plumbline/internal/trends"
)

// Where demands begin and end beside each other; the expectations are worked out
// by hand from the rules of the recheck.
func TestRechecksThatFellDueAtTheirEdges(t *testing.T) {
	raised := func(d trends.Digest, at float64) trends.Digest {
		d.Changes = append(d.Changes, change("furosemide", trends.Raised, at, true, true))
		return d
	}
	long := func(d trends.Digest) trends.Digest {
		d.Stay.AdmittedAt = hour(-410)
		return d
	}
	soon65 := long(withSets(young(), negative(-400)))
	soon65.Stay.BirthDate = "1961-11-17" // 65 three days before noon
	for _, c := range []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"due at the moment asked", withFall(young(), -4, "none"), "R-FALL@0!"},
		{"due just after it", withFall(young(), -3.99, "none"), ""},
		{"a raise between two sets", raised(withSets(young(), positive(-30), positive(-10)), -15), "R-POSITIVE@-18! R-POSITIVE@-3>-10"},
		{"at risk since a fall", long(withFall(withSets(young(), negative(-400)), -300, "none")), "R-FALL@-296! R-WEEKLY@-232!"},
		{"not yet 65 when the weekly set would have been due", soon65, ""},
		{"a demand that is open stands through a fall", withFall(withSets(young(), positive(-30)), -10, "none"), "R-POSITIVE@-18! R-FALL@-6!"},
		{"moved on at the moment it would have fallen due", raised(withSets(young(), positive(-30)), -18), "R-POSITIVE@-6!"},
		{"two rules due at one time, one moved on", raised(withSets(young(), positive(-60), symptoms(-40)), -20),
			"R-POSITIVE@-48>-40! R-POSITIVE@-28! R-REPEAT@-28! R-POSITIVE@-8!"},
		{"a repeat asked anew while another demand stands", withSets(young(), positive(-60), withDizziness(unreadable(-59)), withDizziness(unreadable(-40))),
			"R-POSITIVE@-48! R-REPEAT@-47! R-REPEAT@-28!"},
		{"a repeat asked anew as another demand is moved on",
			raised(raised(withSets(young(), positive(-40), withDizziness(unreadable(-39)), withDizziness(unreadable(-20))), -30), -20),
			"R-REPEAT@-27! R-POSITIVE@-8! R-REPEAT@-8! R-DRUG@-6!"},
	} {
		if got := rechecks(c.stay); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}
