package trends

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

// What was charted for the moment asked counts; of equal times the order is by source_id.
func TestAnswersClearancesAndRestrictionsInTheirOrder(t *testing.T) {
	c := newChart(t).at(0)
	for _, id := range []string{"b", "a"} {
		c.body(id, clinical.Answer{AnsweredAt: hoursOn(-1), Answer: clinical.Declined})
		c.body(id, clinical.Restriction{Limb: "left arm", StartedAt: hoursOn(-1)})
	}
	c.body("c", clinical.Answer{AnsweredAt: hoursOn(-2), Answer: clinical.Declined})
	c.body("z", clinical.Restriction{Limb: "left leg", StartedAt: hoursOn(-2)})
	c.body("a", clinical.Clearance{ClearedAt: hoursOn(0)})
	c.body("b", clinical.Clearance{ClearedAt: hoursOn(-3)})
	c.body("c", clinical.Clearance{ClearedAt: hoursOn(0.1)})
	d := c.digest()
	var answers, restrictions []string
	for _, a := range d.Answers {
		answers = append(answers, a.SourceID)
	}
	for _, r := range d.Restrictions {
		restrictions = append(restrictions, r.SourceID)
	}
	wantWords(t, "answers", answers, "c, a, b")
	wantWords(t, "restrictions", restrictions, "z, a, b")
	if len(d.Clearances) != 2 || !d.Clearances[0].At.Equal(hoursOn(-3)) || !d.Clearances[1].At.Equal(hoursOn(0)) {
		t.Errorf("clearances %v", d.Clearances)
	}
}

func TestHowLongAnAnswerPutsOff(t *testing.T) {
	p := clinical.DefaultPolicy().Recheck
	for answer, want := range map[string]float64{clinical.Declined: 8, clinical.NotPossible: 8, clinical.DoneElsewhere: 12} {
		if got := (AnswerFact{Answer: answer}).Hours(p); got != want {
			t.Errorf("%s: %v h", answer, got)
		}
	}
}

// U-FRESH: a pressure or a pulse; the newest, wherever it stands.
func TestTheNewestVitals(t *testing.T) {
	for readings, want := range map[string]float64{
		"0 lying 140/80": 0, "0 lying -/- 70": 0, "0 lying 140/80; 5 lying 140/- ; 9 lying -/-": 5, "9 lying 140/80; 5 lying 141/80": 9,
	} {
		c := newChart(t).readings(readings)
		c.asOf = minutesOn(9)
		if got := c.newest(); got == nil || !got.Equal(minutesOn(want)) {
			t.Errorf("%s: %v", readings, got)
		}
	}
}

// Fluids are kept for the 48 h before the earliest answer that may still move R-VOLUME.
func TestFluidsAreKeptForTheEarliestAnswer(t *testing.T) {
	c := newChart(t).at(0).fluid("f", "out", "urine", -54, -53, 100)
	for _, h := range []float64{-9, -7, -1} {
		c.body(fmt.Sprint("a", h), clinical.Answer{AnsweredAt: hoursOn(h), Answer: clinical.Declined})
	}
	if d := c.digest(); len(d.Fluids) != 1 {
		t.Errorf("%d entries", len(d.Fluids))
	}
}

func TestWhatASetTells(t *testing.T) {
	up := func(position clinical.Position, counts bool) Upright {
		u := Upright{Position: position, Systolic: ptr(120.0)}
		if counts {
			u.SystolicDrop = ptr(10.0)
		}
		return u
	}
	for _, c := range []struct {
		upright       []Upright
		stood, tested bool
	}{
		{nil, false, false}, {[]Upright{up("sitting", true)}, false, false}, {[]Upright{up("standing", false)}, true, false},
		{[]Upright{up("sitting", true), up("standing", true)}, true, true},
	} {
		if s := (Set{Upright: c.upright}); s.Stood() != c.stood || s.TestedStanding() != c.tested {
			t.Errorf("%v: stood %v, tested %v", c.upright, s.Stood(), s.TestedStanding())
		}
	}
	for finding, want := range map[string]string{Inconclusive: "1 2", SymptomsOnly: ""} {
		var unread []string
		for n := range 3 {
			if (Set{Finding: finding, Symptoms: slices.Repeat([]string{"dizziness"}, n)}).Unread() {
				unread = append(unread, fmt.Sprint(n))
			}
		}
		if got := strings.Join(unread, " "); got != want {
			t.Errorf("%s: unread with %q symptoms, want %q", finding, got, want)
		}
	}
}
