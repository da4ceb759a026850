package alerts

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// rechecks writes what fell due as "rule@hours due" with ">hours met", "late" set
// apart by "!".
func rechecks(d trends.Digest) string {
	list := RechecksOf(d, clinical.DefaultPolicy(), time.UTC)
	slices.SortStableFunc(list, func(a, b trends.DueRecheck) int { return a.DueAt.Compare(b.DueAt) })
	var out []string
	for _, r := range list {
		s := fmt.Sprintf("%s@%v", r.Rule, r.DueAt.Sub(noon).Hours())
		if r.MetAt != nil {
			s += fmt.Sprintf(">%v", r.MetAt.Sub(noon).Hours())
		}
		if !r.InTime() {
			s += "!"
		}
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

// dropped is a positive set with a drop of its own.
func dropped(at, drop float64) trends.Set {
	s := positive(at)
	s.SystolicDrop = &drop
	return s
}

// Which instances fall due, and which count as met, is this project's reading of
// "met at or before due_at, of every recheck instance that fell due": no published
// source.
func TestRechecksThatFellDue(t *testing.T) {
	raise := func(d trends.Digest, at float64) trends.Digest {
		d.Changes = append(d.Changes, change("furosemide", trends.Raised, at, true, true))
		return d
	}
	old := young()
	old.Stay.BirthDate = "1940-01-01"
	cases := []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"nothing was owed", young(), ""},
		{"admitted at risk, never tested", old, "R-ADMIT@-76!"},
		{"tested within the day", withSets(old, negative(-90)), "R-ADMIT@-76>-90"},
		{"tested at the very moment it fell due", withSets(old, negative(-76)), "R-ADMIT@-76>-76"},
		{"tested late", withSets(old, negative(-75)), "R-ADMIT@-76>-75!"},
		{"a set that cannot be read answers nothing", withSets(old, unreadable(-90)), "R-REPEAT@-78! R-ADMIT@-76!"},
		{"at risk only after a day: nothing was due on admission", withFall(young(), -70, "none"), "R-FALL@-66!"},
		{"at risk within the day, by a fall", withFall(young(), -80, "none"), "R-FALL@-76! R-ADMIT@-76!"},
		{"a fall answered", withFall(withSets(young(), negative(-68)), -70, "none"), "R-FALL@-66>-68"},
		{"a fall not due yet", withFall(young(), -3, "none"), ""},

		{"a positive answered each time, the last still open", withSets(young(), positive(-30), positive(-20), positive(-9)), "R-POSITIVE@-18>-20 R-POSITIVE@-8>-9"},
		{"a positive answered late", withSets(young(), positive(-30), positive(-10)), "R-POSITIVE@-18>-10!"},
		{"a positive never answered", withSets(young(), positive(-30)), "R-POSITIVE@-18!"},
		{"a positive moved on by a raise before it fell due: asked anew", raise(withSets(young(), positive(-30)), -25), "R-POSITIVE@-13! R-DRUG@-1!"},
		{"a raise after it fell due does not undo that", raise(withSets(young(), positive(-30)), -15), "R-POSITIVE@-18! R-POSITIVE@-3!"},
		{"cleared by the second negative, which answers it", withSets(young(), positive(-60), negative(-50), negative(-40)), "R-POSITIVE@-48>-50 R-POSITIVE@-38>-40"},
		{"four positives alike: from the third on the longer interval", withSets(young(), dropped(-60, 25), dropped(-50, 25), dropped(-40, 25), dropped(-30, 25)),
			"R-POSITIVE@-48>-50 R-POSITIVE@-38>-40 R-POSITIVE@-16>-30 R-POSITIVE@-6!"},
		{"growing by the fourth, as was known then: the shorter one again", withSets(young(), dropped(-60, 22), dropped(-50, 30), dropped(-40, 38), dropped(-30, 46)),
			"R-POSITIVE@-48>-50 R-POSITIVE@-38>-40 R-POSITIVE@-18! R-POSITIVE@-16>-30"},
		{"an inconclusive set does not answer a positive, and asks for no repeat soon after it", withSets(young(), positive(-30), unreadable(-25)), "R-POSITIVE@-18!"},
		{"an inconclusive set replaced by another is asked for anew", withSets(young(), unreadable(-40), unreadable(-35), negative(-25)), "R-REPEAT@-23>-25"},
		{"symptoms alone, answered", withSets(young(), symptoms(-40), negative(-30)), "R-REPEAT@-28>-30"},

		{"the regular set of a stay at risk", func() trends.Digest {
			d := withSets(old, negative(-400), negative(-240), negative(-30))
			d.Stay.AdmittedAt = hour(-410)
			return d
		}(), "R-ADMIT@-386>-400 R-WEEKLY@-232>-240 R-WEEKLY@-72>-30!"},
		{"at risk since a drug was ordered", func() trends.Digest {
			d := withSets(young(), negative(-400))
			d.Stay.AdmittedAt, d.RiskDrugs, d.RiskFrom = hour(-410), []string{"order"}, ptr(hour(-300))
			return d
		}(), "R-WEEKLY@-232!"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got := rechecks(c.stay); got != c.want {
				t.Errorf("fell due %q\nwant     %q", got, c.want)
			}
		})
	}
}
