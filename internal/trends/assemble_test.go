package trends

import (
	"fmt"
	"strings"
	"testing"
)

// shape writes sets as "kind[set_id](baseline>upright,upright)", by source_id.
func shape(sets []Set) string {
	var out []string
	for _, s := range sets {
		base := "-"
		if s.Baseline != nil {
			base = fmt.Sprint(s.Baseline.TakenAt.Sub(noon).Minutes())
		}
		var up []string
		for _, u := range s.Upright {
			up = append(up, fmt.Sprint(u.TakenAt.Sub(noon).Minutes()))
		}
		id := ""
		if s.SetID != "" {
			id = "[" + s.SetID + "]"
		}
		out = append(out, s.Kind+id+"("+base+">"+strings.Join(up, ",")+")")
	}
	return strings.Join(out, " ")
}

func TestSetsAreInferredFromPositionsAndTimes(t *testing.T) {
	cases := []struct{ name, readings, want string }{
		{"lying then standing", "0 lying 140/80; 3 standing 130/80", "lying_to_standing(0>3)"},
		{"15 min after lying", "0 lying 140/80; 15 standing 130/80", "lying_to_standing(0>15)"},
		{"over 15 min after lying", "0 lying 140/80; 15.1 standing 130/80", ""},
		{"each within 15 min of lying", "0 lying 140/80; 14 standing 130/80; 16 standing 130/80", "lying_to_standing(0>14)"},
		{"sitting between", "0 lying 140/80; 2 sitting 130/80; 4 standing 130/80", "lying_to_standing(0>2,4)"},
		{"sitting only", "0 lying 140/80; 2 sitting 130/80", "lying_to_sitting(0>2)"},
		{"the last lying reading with a systolic", "0 lying 140/80; 5 lying 150/80; 6 lying -/80; 8 standing 130/80", "lying_to_standing(5>8)"},
		{"that one within 15 min of standing too", "0 lying 140/80; 10 lying -/80; 15 standing 130/80", "lying_to_standing(0>15)"},
		{"that one over 15 min before standing", "0 lying 140/80; 10 lying -/80; 16 standing 130/80", "lying_to_standing(10>16)"},
		{"lying again ends the set", "0 lying 140/80; 3 standing 130/80; 5 lying 140/80; 7 standing 130/80",
			"lying_to_standing(0>3) lying_to_standing(5>7)"},
		{"lying again, then nothing", "0 lying 140/80; 3 standing 130/80; 5 lying 140/80", "lying_to_standing(0>3)"},
		{"no position is passed over", "0 lying 140/80; 2 - 120/70; 3 standing 130/80", "lying_to_standing(0>3)"},
		{"no position never joins", "0 - 140/80; 3 standing 130/80", ""},
		{"a stopped lying reading alone", "0 lying 140/80 stop", "lying_to_standing(0>)"},
		{"a stopped lying reading that a standing one joins", "0 lying 140/80 stop; 3 standing 130/80", "lying_to_standing(0>3)"},
		{"a lying reading alone", "0 lying 140/80", ""},
		{"a standing reading alone", "0 standing 140/80 stop sym=dizziness", ""},
		{"a sitting reading alone", "0 sitting 140/80 stop", ""},
		{"sitting then standing", "0 sitting 140/80; 3 standing 130/80", "sitting_to_standing(0>3)"},
		{"sitting then standing, over 15 min", "0 sitting 140/80; 15.1 standing 130/80", ""},
		{"the last sitting reading with a systolic", "0 sitting 140/80; 2 sitting 130/80; 3 sitting -/-; 5 standing 130/80", "sitting_to_standing(2>5)"},
		{"sitting again ends a sitting set", "0 sitting 140/80; 2 standing 130/80; 4 sitting 140/80; 6 standing 120/80",
			"sitting_to_standing(0>2) sitting_to_standing(4>6)"},
		{"lying, long after sitting, then standing", "0 lying 140/80; 20 sitting 135/80; 22 standing 130/80", "sitting_to_standing(20>22)"},
		{"a sitting reading that joined starts none", "0 lying 140/80; 14 sitting 135/80; 16 standing 130/80", "lying_to_sitting(0>14)"},
		{"sitting, lying, standing", "0 sitting 140/80; 2 lying 140/80; 4 standing 130/80", "lying_to_standing(2>4)"},
		{"a standing reading before lying", "0 standing 140/80; 2 lying 140/80", ""},
		{"ties: lying first", "0 standing 130/80 id=a; 0 lying 140/80 id=b", "lying_to_standing(0>0)"},
		{"ties: sitting before standing", "0 standing 130/80 id=a; 0 sitting 140/80 id=b", "sitting_to_standing(0>0)"},
	}
	for _, c := range cases {
		if got := shape(newChart(t).readings(c.readings).sets()); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestReadingsThatShareASetNumberAreOneSet(t *testing.T) {
	cases := []struct{ name, readings, want string }{
		{"however far apart", "0 lying 140/80 set=A; 40 standing 130/80 set=A", "lying_to_standing[A](0>40)"},
		{"the last lying reading with a systolic before the first upright",
			"0 lying 140/80 set=A; 1 lying 150/80 set=A; 2 lying -/80 set=A; 5 standing 130/80 set=A; 6 lying 140/80 set=A",
			"lying_to_standing[A](1>5)"},
		{"sitting after lying is upright", "0 lying 140/80 set=A; 2 sitting 130/80 set=A; 4 standing 130/80 set=A", "lying_to_standing[A](0>2,4)"},
		{"sitting before lying is not", "0 sitting 150/80 set=A; 1 lying 140/80 set=A; 4 standing 130/80 set=A", "lying_to_standing[A](1>4)"},
		{"sitting only after lying", "0 lying 140/80 set=A; 2 sitting 130/80 set=A", "lying_to_sitting[A](0>2)"},
		{"without lying the last sitting reading", "0 sitting 140/80 set=A; 1 sitting 150/80 set=A; 3 standing 130/80 set=A; 4 sitting 140/80 set=A",
			"sitting_to_standing[A](1>3)"},
		{"without a systolic sitting or lying", "0 sitting -/80 set=A; 3 standing 130/80 set=A", "lying_to_standing[A](->0,3)"},
		{"lying only", "0 lying 140/80 set=A", "lying_to_standing[A](0>)"},
		{"lying without a systolic", "0 lying -/80 set=A; 3 standing 130/80 set=A", "lying_to_standing[A](->3)"},
		{"lying after standing only", "0 standing 130/80 set=A; 3 lying 140/80 set=A", "lying_to_standing[A](->0)"},
		{"standing only", "0 standing 130/80 set=A", "lying_to_standing[A](->0)"},
		{"sitting only", "0 sitting 130/80 set=A", "lying_to_sitting[A](->0)"},
		{"two sets between each other", "0 lying 140/80 set=A; 1 lying 140/80 set=B; 3 standing 130/80 set=A; 4 standing 130/80 set=B",
			"lying_to_standing[A](0>3) lying_to_standing[B](1>4)"},
		{"numbered and other readings apart", "0 lying 140/80 set=A; 1 lying 140/80; 3 standing 130/80", "lying_to_standing[A](0>) lying_to_standing(1>3)"},
	}
	for _, c := range cases {
		if got := shape(newChart(t).readings(c.readings).sets()); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestASetStartsAtItsBaselineAndListsItsFactsInTimeOrder(t *testing.T) {
	s := setOf(t, "-3 - -/- id=c set=A sym=nausea; 0 lying 140/80 id=b set=A; 3 standing 130/80 id=a set=A")
	if !s.StartedAt.Equal(noon) || s.Inferred() {
		t.Errorf("started %s, inferred %v", s.StartedAt, s.Inferred())
	}
	wantWords(t, "facts", s.Facts, "c, b, a")
	s = setOf(t, "1 standing 130/80 set=A; 3 standing 130/80 set=A")
	if !s.StartedAt.Equal(minutesOn(1)) {
		t.Errorf("without a baseline it starts %s, want its first reading", s.StartedAt)
	}
}

func TestSetsOfEqualStartAreOrderedByTheirSmallestSourceID(t *testing.T) {
	sets := newChart(t).readings("0 lying 140/80 id=m set=A; 2 standing 130/80 id=z set=A; 0 lying 140/80 id=n set=B; 2 standing 130/80 id=a set=B").sets()
	if len(sets) != 2 || sets[0].SetID != "B" {
		t.Errorf("order %s, want B first", shape(sets))
	}
}

func TestTheMinutesUprightAreChartedOrOverstatedFromTheClock(t *testing.T) {
	cases := []struct {
		name, readings string
		minutes        []string
		from           Word // of the last reading
	}{
		{"charted", "0 lying 140/80; 9 standing 130/80 up=3", []string{"3"}, FromChart},
		{"since lying", "0 lying 140/80; 4 standing 130/80", []string{"4"}, FromTimestamps},
		{"since sitting", "0 lying 140/80; 2 sitting 130/80; 5 standing 130/80; 8 standing 130/80", []string{"2", "3", "6"}, FromTimestamps},
		{"sitting after standing counts from lying", "0 lying 140/80; 2 standing 130/80; 5 sitting 130/80; 6 standing 130/80", []string{"2", "5", "1"}, FromTimestamps},
		{"from sitting", "0 sitting 140/80; 4 standing 130/80", []string{"4"}, FromTimestamps},
		{"nothing lower", "0 standing 140/80 set=A; 4 standing 130/80 set=A", []string{"null", "null"}, ""},
	}
	for _, c := range cases {
		s := setOf(t, c.readings)
		for n, u := range s.Upright {
			wantFigure(t, fmt.Sprintf("%s: minutes of reading %d", c.name, n+1), u.Minutes, c.minutes[n])
		}
		if last := s.Upright[len(s.Upright)-1]; last.MinutesFrom != c.from {
			t.Errorf("%s: from %q, want %q", c.name, last.MinutesFrom, c.from)
		}
	}
}

func TestAReadingAheadOfTheMomentDoesNotExistYet(t *testing.T) {
	c := newChart(t).readings("0 lying 140/80; 3 standing 118/80")
	c.asOf = minutesOn(2)
	if got := shape(c.sets()); got != "" {
		t.Errorf("one minute before the standing reading: %s", got)
	}
	c.asOf = minutesOn(3)
	if got := shape(c.sets()); got != "lying_to_standing(0>3)" {
		t.Errorf("at the standing reading: %q", got)
	}
}
