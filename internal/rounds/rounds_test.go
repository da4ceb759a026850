package rounds

import (
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

var noon = time.Date(2026, 11, 3, 12, 0, 0, 0, time.UTC)

// in is a patient of a test, whose recheck is due hours after noon; hours over 100 for none.
func in(bed string, hours float64, change ...func(*alerts.Assessment)) alerts.Assessment {
	a := alerts.Assessment{At: noon, Digest: trends.Digest{StayID: "S" + bed, Stay: clinical.Stay{Bed: bed}}}
	if hours < 100 {
		due := noon.Add(clinical.Hours(hours))
		a.Recheck = alerts.Recheck{State: alerts.Scheduled, DueAt: &due}
	}
	for _, c := range change {
		c(&a)
	}
	return a
}

func set(hours float64, change ...func(*trends.Set)) func(*alerts.Assessment) {
	s := trends.Set{StartedAt: noon.Add(clinical.Hours(hours)), Finding: trends.Negative}
	for _, c := range change {
		c(&s)
	}
	return func(a *alerts.Assessment) { a.Digest.Sets = append(a.Digest.Sets, s) }
}

func died(a *alerts.Assessment) {
	a.Digest.Falls = append(a.Digest.Falls, trends.FallFact{At: noon.Add(-time.Hour), Injury: "death"})
}

func blocked(a *alerts.Assessment) { a.Recheck.State = alerts.Blocked }

func beds(stops []Stop) (out []string) {
	for _, s := range stops {
		word := s.Bed()
		if s.Taken != nil {
			word += "✓"
		}
		out = append(out, word)
	}
	return out
}

// What is overdue stands first, then hour by hour; beds of one time stand as the huddle sorts them.
// Nothing is owed to the dead, and nothing stands there that is due after twelve hours.
func TestTheStopsOfARound(t *testing.T) {
	list := []alerts.Assessment{
		in("10A", 2), in("9B", 2), in("3", -1), in("4", -5), in("5", 12), in("6", 11.9), in("7", 200), in("8", 1, died),
		in("1", 4, set(-1)), in("2", 200, set(-6)), in("2B", 200, set(-5)), in("11", 3, blocked),
	}
	stops := Stops(list, clinical.DefaultPolicy(), noon.Add(-5*time.Hour), noon)
	if got, want := strings.Join(beds(stops), " "), "4 3 2B✓ 1✓ 9B 10A 11 1 6"; got != want {
		t.Errorf("stops %s, want %s", got, want)
	}
	for _, s := range stops {
		if s.Blocked != (s.Bed() == "11") || s.Overdue != (s.Bed() == "3" || s.Bed() == "4") {
			t.Errorf("bed %s: blocked %v, overdue %v", s.Bed(), s.Blocked, s.Overdue)
		}
	}
}

// A set is crossed off by what it meets: not by what it was taken before or too soon for, nor by a demand
// of its own, of after these hours, or of who died.
func TestWhatASetThatWasTakenLeavesOwed(t *testing.T) {
	hour := func(h float64) time.Time { return noon.Add(clinical.Hours(h)) }
	demand := func(rule string, trigger, metFrom, due float64) alerts.Instance {
		from := hour(metFrom)
		return alerts.Instance{Rule: rule, Trigger: hour(trigger), MetFrom: &from, Due: hour(due)}
	}
	always := func(rule string, trigger, due float64) alerts.Instance {
		return alerts.Instance{Rule: rule, Trigger: hour(trigger), Due: hour(due)}
	}
	for name, c := range map[string]struct {
		open []alerts.Instance
		dead bool
		want string
	}{
		"nothing":                       {nil, false, ""},
		"a fall since":                  {[]alerts.Instance{demand(alerts.RFall, -1, -1, 3)}, false, alerts.RFall},
		"a fall before":                 {[]alerts.Instance{demand(alerts.RFall, -3, -3, 1)}, false, ""},
		"a dose raised, taken too soon": {[]alerts.Instance{demand(alerts.RDrug, -4, 4, 11)}, false, alerts.RDrug},
		"its own demand":                {[]alerts.Instance{demand(alerts.RStopped, -2, -2+1e-9, 4), always(alerts.RPositive, -2, 10)}, false, ""},
		"a dose raised since, positive": {[]alerts.Instance{always(alerts.RPositive, -1, 11)}, false, alerts.RPositive},
		"after these hours":             {[]alerts.Instance{always(alerts.RPositive, -1, 12)}, false, ""},
		"who died":                      {[]alerts.Instance{demand(alerts.RFall, -1, -1, 3)}, true, ""},
	} {
		a := in("1", 200, set(-2))
		a.Recheck.Open = c.open
		if c.dead {
			died(&a)
		}
		stops, got := Stops([]alerts.Assessment{a}, clinical.DefaultPolicy(), hour(-5), noon), ""
		if left := stops[0].Left; left != nil {
			got = left.Rule
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// Five minutes lying and three standing; longer where a drop came late, until the stay is cleared.
func TestWhatASetTakes(t *testing.T) {
	late := 10.0
	for name, c := range map[string]struct {
		of       alerts.Assessment
		standing float64
		two      []string
	}{
		"usual":     {in("1", 1), 3, nil},
		"late drop": {in("1", 1, func(a *alerts.Assessment) { a.Digest.Serial.ClearMinutes = &late }), 10, nil},
		"late drop, cleared": {in("1", 1, func(a *alerts.Assessment) {
			a.Digest.Serial.ClearMinutes, a.Digest.Serial.Cleared = &late, true
		}), 3, nil},
		"stopped early": {in("1", 1, set(-30, func(s *trends.Set) { s.StoppedEarly = true })), 3, []string{TwoStopped}},
		"stopped early once": {
			in("1", 1, set(-30, func(s *trends.Set) { s.StoppedEarly = true }), set(-20)), 3, nil,
		},
		"fell a day ago": {in("1", 1, func(a *alerts.Assessment) {
			a.Digest.Falls = []trends.FallFact{{At: noon.Add(-20 * time.Hour)}}
		}), 3, []string{TwoFell}},
		"fell a week ago": {in("1", 1, func(a *alerts.Assessment) {
			a.Digest.Falls = []trends.FallFact{{At: noon.Add(-7 * 24 * time.Hour)}}
		}), 3, nil},
		"low at rest": {in("1", 1, func(a *alerts.Assessment) { a.LowAtRest = &trends.AtRest{} }), 3, []string{TwoLow}},
		"low standing": {
			in("1", 1, set(-30, func(s *trends.Set) { s.Criteria = []string{trends.CritLow} })), 3, []string{TwoLow},
		},
	} {
		got := Stops([]alerts.Assessment{c.of}, clinical.DefaultPolicy(), noon, noon)
		if len(got) != 1 || got[0].Lying != 5 || got[0].Standing != c.standing || !slices.Equal(got[0].Two, c.two) {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// An hour is one of the site's clocks, where they stand off the hours of UTC too.
func TestHoursAreThoseOfTheClocks(t *testing.T) {
	zone := time.FixedZone("five and a half", 5*3600+1800)
	hours := Hours(Stops([]alerts.Assessment{in("1", -1), in("2", -3), in("3", 0.25), in("4", 0.49), in("5", 0.5)},
		clinical.DefaultPolicy(), noon, noon), zone)
	var got []string
	for _, h := range hours {
		word := "overdue"
		if !h.Overdue {
			word = h.Begins.In(zone).Format("15:04")
		}
		got = append(got, word+" "+strings.Join(beds(h.Stops), ","))
	}
	if want := "overdue 2,1; 17:00 3,4; 18:00 5"; strings.Join(got, "; ") != want {
		t.Errorf("%s, want %s", strings.Join(got, "; "), want)
	}
}

// A range is one nurse's with both its ends; what is given later counts; what is nobody's comes
// first; every bed stands in one walk.
func TestBedsAreTheNursesByRange(t *testing.T) {
	given := []records.GivenBeds{
		{From: "1A", To: "6B", Nurse: "Ann"}, {From: "7", To: "9", Nurse: "Bo"}, {From: "3A", To: "3B", Nurse: "Bo"},
		{From: "5A", To: "5A", Nurse: ""},
	}
	for bed, want := range map[string]string{
		"1A": "Ann", "6B": "Ann", "6C": "", "3A": "Bo", "3B": "Bo", "4": "Ann", "5A": "", "5B": "Ann", "9B": "Bo",
		"90": "", "": "",
	} {
		if got := NurseOf(given, bed); got != want {
			t.Errorf("bed %q is %q's, want %q", bed, got, want)
		}
	}
	list := []alerts.Assessment{in("7", 1), in("3B", 200), in("", 2), in("1A", -1), in("5A", 3), in("2", 4)}
	stops := Stops(list, clinical.DefaultPolicy(), noon, noon)
	var got []string
	for _, w := range Walks(list, stops, given, time.UTC) {
		word := w.Nurse + ": " + strings.Join(w.Beds, ",") + " quiet " + strings.Join(w.Quiet, ",") + " walks"
		for _, h := range w.Hours {
			word += " " + strings.Join(beds(h.Stops), ",")
		}
		got = append(got, word)
	}
	want := ": 5A, quiet  walks  5A|Ann: 1A,2 quiet  walks 1A 2|Bo: 3B,7 quiet 3B walks 7"
	if strings.Join(got, "|") != want {
		t.Errorf("%s\nwant %s", strings.Join(got, "|"), want)
	}
}
