package alerts

import (
	"fmt"
	"testing"
	"time"

	"plumbline/internal/trends"
)

func clockAt(h int) time.Time { return time.Date(2026, 11, 20, h, 0, 0, 0, time.UTC) }

func assessmentOf(stay string) Assessment {
	a := Assessment{}
	a.Digest.StayID = stay
	return a
}

func TestGoneAreThoseWhoAreListedNoMore(t *testing.T) {
	a, b, c := assessmentOf("A"), assessmentOf("B"), assessmentOf("C")
	var got []string
	for _, one := range Gone([]Assessment{a, b, c}, []Assessment{b}) {
		got = append(got, one.Digest.StayID)
	}
	if fmt.Sprint(got) != "[A C]" {
		t.Errorf("gone: %v", got)
	}
	if len(Gone(nil, []Assessment{a})) != 0 {
		t.Error("who was not there cannot be gone")
	}
}

func TestADepartureIsTheEndOfTheLastTimeOnTheUnit(t *testing.T) {
	then, now := assessmentOf("A"), assessmentOf("A")
	then.Digest.Stay.Bed = "as then"
	now.Digest.Falls = []trends.FallFact{{SourceID: "before", At: clockAt(9)}, {SourceID: "after", At: clockAt(15)}}
	for name, c := range map[string]struct {
		presences []trends.Presence
		at        time.Time
		falls     int
	}{
		"moved away":       {[]trends.Presence{{Unit: "4W", From: clockAt(1), To: clockAt(14)}, {Unit: "5E", From: clockAt(14)}}, clockAt(14), 1},
		"back, gone again": {[]trends.Presence{{Unit: "4W", To: clockAt(2)}, {Unit: "5E", To: clockAt(3)}, {Unit: "4W", To: clockAt(16)}}, clockAt(16), 2},
		"still there":      {[]trends.Presence{{Unit: "4W", From: clockAt(1)}}, time.Time{}, 0},
		"never there":      {[]trends.Presence{{Unit: "5E", From: clockAt(1), To: clockAt(3)}}, time.Time{}, 0},
		"taken back":       {nil, time.Time{}, 0},
	} {
		d := DepartureOf("4W", then, now, c.presences)
		if !d.At.Equal(c.at) || len(d.Of.Digest.Falls) != c.falls {
			t.Errorf("%s: left at %v with %d falls, want %v and %d", name, d.At, len(d.Of.Digest.Falls), c.at, c.falls)
		}
		if asThen := d.Of.Digest.Stay.Bed == "as then"; asThen != c.at.IsZero() {
			t.Errorf("%s: told as it was then: %v", name, asThen)
		}
	}
	if len(now.Digest.Falls) != 2 {
		t.Error("the assessment that was given has changed")
	}
}

func TestAnArrivalIsAMoveAndNoAdmission(t *testing.T) {
	moved := []trends.Presence{{Unit: "5E", From: clockAt(1), To: clockAt(7)}, {Unit: "4W", From: clockAt(7)}}
	if a, ok := ArrivalOf("4W", moved, clockAt(8)); !ok || a.From != "5E" || !a.At.Equal(clockAt(7)) {
		t.Errorf("moved here: %+v, %v", a, ok)
	}
	for name, c := range map[string]struct {
		presences []trends.Presence
		at        time.Time
	}{
		"admitted here": {moved[1:], clockAt(8)},
		"not yet here":  {moved, clockAt(6)},
		"moved away":    {[]trends.Presence{{Unit: "4W", From: clockAt(1), To: clockAt(7)}, {Unit: "5E", From: clockAt(7)}}, clockAt(8)},
		"gone since":    {append(moved[:1:1], trends.Presence{Unit: "4W", From: clockAt(7), To: clockAt(8)}), clockAt(9)},
	} {
		if a, ok := ArrivalOf("4W", c.presences, c.at); ok {
			t.Errorf("%s: told as moved: %+v", name, a)
		}
	}
}
