package trends

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

func day(s string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", s)
	if err != nil {
		panic(err)
	}
	return t
}

func zoneOf(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func TestPeriodsAreMonthsOrWeeksOfTheSitesZone(t *testing.T) {
	zurich := zoneOf(t, "Europe/Zurich")
	write := func(periods []Period) string {
		var out []string
		for _, p := range periods {
			out = append(out, p.From.UTC().Format("01-02T15")+" "+p.To.UTC().Format("01-02T15"))
		}
		return strings.Join(out, ", ")
	}
	for _, c := range []struct{ name, got, want string }{
		{"months, parts at both ends", write(Periods(day("2026-01-15 00:00"), day("2026-03-10 00:00"), ByMonth, time.UTC)), "01-15T00 02-01T00, 02-01T00 03-01T00, 03-01T00 03-10T00"},
		{"months across the change of clocks", write(Periods(day("2026-02-28 23:00"), day("2026-04-30 22:00"), ByMonth, zurich)), "02-28T23 03-31T22, 03-31T22 04-30T22"},
		{"weeks from Monday (ISO 8601)", write(Periods(day("2026-11-18 12:00"), day("2026-12-01 00:00"), ByWeek, time.UTC)), "11-18T12 11-23T00, 11-23T00 11-30T00, 11-30T00 12-01T00"},
		{"a Sunday belongs to the week before", write(Periods(day("2026-11-22 00:00"), day("2026-11-24 00:00"), ByWeek, time.UTC)), "11-22T00 11-23T00, 11-23T00 11-24T00"},
		{"a midnight that the clocks skip (Paraguay 2023)", write(Periods(day("2023-09-01 04:00"), day("2023-12-01 00:00"), ByMonth, zoneOf(t, "America/Asuncion"))), "09-01T04 10-01T04, 10-01T04 11-01T03, 11-01T03 12-01T00"},
		{"nothing", write(Periods(day("2026-11-22 00:00"), day("2026-11-22 00:00"), ByWeek, time.UTC)), ""},
	} {
		if c.got != c.want {
			t.Errorf("%s: %s, want %s", c.name, c.got, c.want)
		}
	}
}

// stayRow is a version of the stay S.
func stayRow(recorded, unit, admitted, discharged string, status clinical.Status) clinical.Version {
	s := clinical.Stay{PatientID: "P", Unit: unit, AdmittedAt: day(admitted)}
	if discharged != "" {
		end := day(discharged)
		s.DischargedAt = &end
	}
	v := clinical.Version{Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: day(recorded), Stated: true, Status: status, Body: s}
	if status == clinical.EnteredInError {
		v.Body = nil
	}
	return v
}

func TestPresencesFollowTransfersAndCorrections(t *testing.T) {
	final, corrected := clinical.Final, clinical.Corrected
	cases := []struct {
		name     string
		versions []clinical.Version
		want     string
	}{
		{"not known", nil, ""},
		{"from admission, however late it was recorded",
			[]clinical.Version{stayRow("2026-11-03 09:00", "4W", "2026-11-01 10:00", "", final)}, "4W 11-01T10 -"},
		{"a transfer holds from the moment it was recorded",
			[]clinical.Version{stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "", final), stayRow("2026-11-04 15:00", "7E", "2026-11-01 10:00", "", final)},
			"4W 11-01T10 11-04T15, 7E 11-04T15 -"},
		{"another bed is no other unit",
			[]clinical.Version{stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "", final), stayRow("2026-11-04 15:00", "4W", "2026-11-01 10:00", "2026-11-06 11:00", final)},
			"4W 11-01T10 11-06T11"},
		{"a correction of the unit holds from the start of what it corrects",
			[]clinical.Version{stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "", final), stayRow("2026-11-02 10:00", "5N", "2026-11-01 10:00", "", final), stayRow("2026-11-04 15:00", "7E", "2026-11-01 10:00", "", corrected)},
			"4W 11-01T10 11-02T10, 7E 11-02T10 -"},
		{"recorded together: the one that counts",
			[]clinical.Version{stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "", final), stayRow("2026-11-01 10:00", "7E", "2026-11-01 10:00", "", final)}, "7E 11-01T10 -"},
		{"booked before admission",
			[]clinical.Version{stayRow("2026-10-28 10:00", "4W", "2026-11-01 10:00", "", final), stayRow("2026-10-30 10:00", "7E", "2026-11-01 10:00", "", final)}, "7E 11-01T10 -"},
		{"a planned discharge has not happened",
			[]clinical.Version{stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "2026-11-20 10:00", final)}, "4W 11-01T10 -"},
		{"discharge comes before a transfer that was recorded afterwards",
			[]clinical.Version{stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "", final), stayRow("2026-11-06 15:00", "7E", "2026-11-01 10:00", "2026-11-05 10:00", final)},
			"4W 11-01T10 11-05T10"},
		{"entered again after it was taken back",
			[]clinical.Version{stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "", final), stayRow("2026-11-02 10:00", "", "2026-11-01 10:00", "", clinical.EnteredInError), stayRow("2026-11-03 10:00", "7E", "2026-11-01 10:00", "", final)},
			"7E 11-01T10 -"},
		{"taken back", []clinical.Version{stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "", final), stayRow("2026-11-02 10:00", "", "2026-11-01 10:00", "", clinical.EnteredInError)}, ""},
	}
	for _, c := range cases {
		for n := range c.versions {
			c.versions[n].Line = n
		}
		var out []string
		for _, p := range PresencesOf(clinical.ChartAt("S", c.versions, day("2026-11-10 00:00"))) {
			to := "-"
			if !p.To.IsZero() {
				to = p.To.Format("01-02T15")
			}
			out = append(out, p.Unit+" "+p.From.Format("01-02T15")+" "+to)
		}
		if got := strings.Join(out, ", "); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// beds are stays on 4W for the same time.
func beds(n int, from, to string) []UnitStay {
	out := make([]UnitStay, n)
	for i := range out {
		p := Presence{Unit: "4W", From: day(from)}
		if to != "" {
			p.To = day(to)
		}
		out[i].Presences = []Presence{p}
	}
	return out
}

func fell(at, injury string) FallFact { return FallFact{SourceID: at, At: day(at), Injury: injury} }

// figuresOf tallies stays of 4W.
func figuresOf(stays []UnitStay, periods []Period, days string, zone *time.Location, now string) UnitFigures {
	tally := NewUnitTally("4W", periods, clinical.UnitPolicy{PatientDays: days}, zone, day(now))
	for _, s := range stays {
		tally.Add(s)
	}
	return tally.Figures()
}

func shown(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.10g", *v)
}

// The NICHE worked example (seen, nicheprogram.org): a census of 30 on 30 days,
// 4 falls: 4.44 per 1,000 patient-days. The AHRQ toolkit's (figures from memory):
// 3 falls in 879 bed days of April: 3.4. Their intervals: Garwood, computed with
// scipy 1.10.1.
func TestFallRatesOfPublishedExamples(t *testing.T) {
	april := Periods(day("2026-04-01 00:00"), day("2026-05-01 00:00"), ByMonth, time.UTC)
	niche := beds(30, "2026-03-20 09:00", "2026-05-04 10:00")
	niche[0].Falls = []FallFact{fell("2026-04-02 03:00", "none"), fell("2026-04-20 23:00", "minor")}
	niche[1].Falls = []FallFact{fell("2026-04-09 03:00", ""), fell("2026-04-30 23:59", "major"), fell("2026-05-01 00:00", "major"), fell("2026-03-31 23:59", "major")}
	p := figuresOf(niche, april, clinical.ByMidnightCensus, time.UTC, "2026-06-01 00:00").Periods[0]
	got := fmt.Sprintf("%g days, %d falls, %d injured: %s (%s to %s), %s", p.PatientDays, p.Falls, p.WithInjury, shown(p.Rate), shown(p.RateLow), shown(p.RateHigh), shown(p.HarmRate))
	if want := "900 days, 4 falls, 2 injured: 4.444444444 (1.210961526 to 11.37954297), 2.222222222"; got != want {
		t.Errorf("NICHE: %s, want %s", got, want)
	}
	if p.Injuries[""] != 1 || p.Injuries["none"] != 1 || p.Injuries["minor"] != 1 || p.Injuries["major"] != 1 {
		t.Errorf("injury levels %v", p.Injuries)
	}

	ahrq := append(beds(29, "2026-03-20 09:00", "2026-05-04 10:00"), beds(1, "2026-04-21 12:00", "2026-04-30 12:00")...)
	ahrq[0].Falls = []FallFact{fell("2026-04-02 03:00", ""), fell("2026-04-02 04:00", ""), fell("2026-04-20 03:00", "")}
	p = figuresOf(ahrq, april, clinical.ByMidnightCensus, time.UTC, "2026-06-01 00:00").Periods[0]
	got = fmt.Sprintf("%g days, %d falls: %s (%s to %s)", p.PatientDays, p.Falls, shown(p.Rate), shown(p.RateLow), shown(p.RateHigh))
	if want := "879 days, 3 falls: 3.412969283 (0.7038363173 to 9.974144562)"; got != want {
		t.Errorf("AHRQ: %s, want %s", got, want)
	}
}

func TestPatientDaysByCensusAndByHours(t *testing.T) {
	zurich := zoneOf(t, "Europe/Zurich")
	one := func(from, to string) []UnitStay { return beds(1, from, to) }
	cases := []struct {
		name          string
		stays         []UnitStay
		from, to      string
		zone          *time.Location
		now           string
		census, hours float64
	}{
		{"admitted and discharged on one day", one("2026-11-02 08:00", "2026-11-02 20:00"), "2026-11-01 00:00", "2026-12-01 00:00", time.UTC, "2027-01-01 00:00", 0, 0.5},
		{"three nights", one("2026-11-02 12:00", "2026-11-05 12:00"), "2026-11-01 00:00", "2026-12-01 00:00", time.UTC, "2027-01-01 00:00", 3, 3},
		{"admitted at midnight, discharged at midnight", one("2026-11-02 00:00", "2026-11-05 00:00"), "2026-11-01 00:00", "2026-12-01 00:00", time.UTC, "2027-01-01 00:00", 3, 3},
		{"cut by the period", one("2026-10-02 12:00", ""), "2026-11-01 00:00", "2026-11-11 00:00", time.UTC, "2027-01-01 00:00", 10, 10},
		{"cut by now", one("2026-11-01 00:00", ""), "2026-11-01 00:00", "2026-12-01 00:00", time.UTC, "2026-11-03 12:00", 3, 2.5},
		{"nothing before it began", one("2026-11-20 00:00", ""), "2026-11-01 00:00", "2026-12-01 00:00", time.UTC, "2026-11-03 12:00", 0, 0},
		{"local midnights: 22:00 and 23:00 UTC", one("2026-10-24 21:30", "2026-10-26 22:30"), "2026-10-01 00:00", "2026-11-01 00:00", zurich, "2027-01-01 00:00", 2, 49.0 / 24},
		{"two times on the unit", []UnitStay{{Presences: []Presence{
			{Unit: "4W", From: day("2026-11-01 12:00"), To: day("2026-11-03 12:00")}, {Unit: "7E", From: day("2026-11-03 12:00"), To: day("2026-11-06 12:00")},
			{Unit: "4W", From: day("2026-11-06 12:00"), To: day("2026-11-07 12:00")}}}}, "2026-11-01 00:00", "2026-12-01 00:00", time.UTC, "2027-01-01 00:00", 3, 3},
	}
	for _, c := range cases {
		periods := []Period{{day(c.from), day(c.to)}}
		if got := figuresOf(c.stays, periods, clinical.ByMidnightCensus, c.zone, c.now).Periods[0].PatientDays; got != c.census {
			t.Errorf("%s: %g by census, want %g", c.name, got, c.census)
		}
		if got := figuresOf(c.stays, periods, clinical.ByHours, c.zone, c.now).Periods[0].PatientDays; math.Abs(got-c.hours) > 1e-9 {
			t.Errorf("%s: %g by hours, want %g", c.name, got, c.hours)
		}
	}
}

func TestWhatIsCountedOnAUnitIsWhatHappenedThere(t *testing.T) {
	november := Periods(day("2026-11-01 00:00"), day("2026-12-01 00:00"), ByMonth, time.UTC)
	set := func(at, quality, finding string) Set {
		return Set{StartedAt: day(at), Quality: quality, Finding: finding}
	}
	at := func(s string) *time.Time { t := day(s); return &t }
	s := UnitStay{
		Presences: []Presence{{Unit: "4W", From: day("2026-11-01 10:00"), To: day("2026-11-04 15:00")}, {Unit: "7E", From: day("2026-11-04 15:00")}},
		Falls:     []FallFact{fell("2026-11-01 09:59", "none"), fell("2026-11-01 10:00", "none"), fell("2026-11-04 14:59", "death"), fell("2026-11-04 15:00", "none")},
		Sets: []Set{set("2026-11-01 09:00", Complete, Positive), set("2026-11-02 09:00", Complete, Positive), set("2026-11-02 19:00", Usable, Negative),
			set("2026-11-03 09:00", Unusable, Inconclusive), set("2026-11-05 09:00", Usable, Positive)},
		Rechecks: []DueRecheck{{DueAt: day("2026-11-02 10:00"), MetAt: at("2026-11-02 10:00")}, {DueAt: day("2026-11-03 10:00"), MetAt: at("2026-11-03 10:01")},
			{DueAt: day("2026-11-04 10:00")}, {DueAt: day("2026-11-05 10:00")}},
		Systolics: []Systolic{{day("2026-11-02 10:00"), 120}, {day("2026-11-02 11:00"), 121}, {day("2026-11-02 12:00"), 90}, {day("2026-11-02 13:00"), 118.5},
			{day("2026-11-02 14:00"), 133}, {day("2026-11-05 10:00"), 140}},
	}
	f := figuresOf([]UnitStay{s}, november, clinical.ByMidnightCensus, time.UTC, "2026-11-30 00:00")
	p := f.Periods[0]
	got := fmt.Sprintf("%g days %d falls %d injured; %d sets %v %d positive %s; %d of %d; %v %s", p.PatientDays, p.Falls, p.WithInjury,
		p.Sets, p.Grades, p.Positive, shown(p.PositivePer100()), p.RechecksInTime, p.RechecksDue, p.Digits, shown(p.EndIn0))
	want := "3 days 2 falls 1 injured; 3 sets map[complete:1 unusable:1 usable:1] 1 positive 33.33333333; 1 of 3; [2 1 0 1 0 0 0 0 0 0] 0.5"
	if got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	if later := figuresOf([]UnitStay{s}, november, clinical.ByMidnightCensus, time.UTC, "2026-11-02 09:30").Periods[0]; later.Falls != 1 || later.Sets != 1 || later.RechecksDue != 0 {
		t.Errorf("what lies ahead was counted: %+v", later)
	}
}

// What cannot be computed is missing, never 0.
func TestFiguresOfAnEmptyUnitAreMissing(t *testing.T) {
	f := figuresOf(nil, Periods(day("2026-11-01 00:00"), day("2027-01-01 00:00"), ByMonth, time.UTC), clinical.ByMidnightCensus, time.UTC, "2027-01-01 00:00")
	for _, p := range f.Periods {
		if p.Rate != nil || p.RateLow != nil || p.RateHigh != nil || p.HarmRate != nil || p.U.Center != nil || p.U.Lower != nil || p.P.Center != nil ||
			p.P.Upper != nil || p.EndIn0 != nil || p.ChiP != nil || p.PositivePer100() != nil || len(p.RunRules) != 0 {
			t.Errorf("%+v", p)
		}
	}
	if f.GCenter != nil || f.GUpper != nil || len(f.DaysBetween) != 0 {
		t.Errorf("%+v", f)
	}
}

// The u-chart of falls per 1,000 patient-days (computed by the definition: Montgomery's u-chart with limits
// from the area of each point): 44 falls in 10,697 days.
func TestUChartOfAUnitsMonths(t *testing.T) {
	falls := []int{3, 5, 2, 4, 1, 6, 3, 2, 4, 3, 9, 2}
	days := []int{879, 910, 842, 900, 861, 933, 888, 870, 915, 902, 921, 876}
	var stays []UnitStay
	for m, n := range days {
		first := time.Date(2026, time.Month(m+1), 1, 12, 0, 0, 0, time.UTC)
		for range n { // a stay of one night each
			stays = append(stays, UnitStay{Presences: []Presence{{Unit: "4W", From: first, To: first.Add(24 * time.Hour)}}})
		}
		for i := range falls[m] {
			stays[len(stays)-1].Falls = append(stays[len(stays)-1].Falls, FallFact{At: first.Add(time.Duration(i) * time.Hour)})
		}
	}
	f := figuresOf(stays, Periods(day("2026-01-01 00:00"), day("2027-01-01 00:00"), ByMonth, time.UTC), clinical.ByMidnightCensus, time.UTC, "2027-01-01 00:00")
	first, sixth, eleventh := f.Periods[0].U, f.Periods[5].U, f.Periods[10].U
	got := fmt.Sprintf("%.10f; 1: %.6f %g %.6f; 6: %.6f; 11: %.6f %.6f", *first.Center, *first.Value, *first.Lower, *first.Upper,
		*sixth.Upper, *eleventh.Value, *eleventh.Upper)
	if want := "4.1133027952; 1: 3.412969 0 10.602966; 6: 10.412363; 11: 9.771987 10.453267"; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	if len(f.Periods[10].RunRules) != 0 {
		t.Errorf("the eleventh month is not out: %v", f.Periods[10].RunRules)
	}
}

// Days between falls are calendar days: the count that a g-chart takes (Benneyan 2001).
func TestDaysBetweenFallsAreCalendarDays(t *testing.T) {
	stays := beds(1, "2026-10-01 00:00", "")
	stays[0].Falls = []FallFact{fell("2026-10-24 22:30", ""), fell("2026-10-02 12:00", ""), fell("2026-10-24 21:30", ""), fell("2026-10-31 12:00", ""), fell("2026-10-31 13:00", "")}
	october := []Period{{day("2026-10-01 00:00"), day("2026-11-02 00:00")}}
	if got := figuresOf(stays, october, clinical.ByHours, time.UTC, "2026-12-01 00:00"); fmt.Sprint(got.DaysBetween) != "[22 0 7 0]" || *got.GCenter != 7.25 {
		t.Errorf("%v, mean %v", got.DaysBetween, *got.GCenter)
	}
	// 22:30 UTC is past midnight in Zurich, on the day before the clocks go back.
	if got := figuresOf(stays, october, clinical.ByHours, zoneOf(t, "Europe/Zurich"), "2026-12-01 00:00"); fmt.Sprint(got.DaysBetween) != "[22 1 6 0]" {
		t.Errorf("%v", got.DaysBetween)
	}
}

func TestSystolicsForDigitsAreThoseChartedInMmHg(t *testing.T) {
	reading := func(id, unit string, systolic float64, at string) clinical.Version {
		return clinical.Version{Kind: clinical.KindVitals, SourceID: id, StayID: "S", RecordedAt: day(at), Status: clinical.Final,
			Body: clinical.Vitals{TakenAt: day(at), Systolic: &systolic, PressureUnit: unit}}
	}
	c := clinical.ChartAt("S", []clinical.Version{
		stayRow("2026-11-01 10:00", "4W", "2026-11-01 10:00", "", clinical.Final),
		reading("a", "", 120, "2026-11-02 10:00"), reading("b", "kPa", 120.00992, "2026-11-02 11:00"), reading("c", "", 400, "2026-11-02 12:00"),
	}, day("2026-11-03 00:00"))
	if got := SystolicsOf(c, clinical.DefaultPolicy().Plausible); len(got) != 1 || got[0].Value != 120 {
		t.Errorf("%v", got)
	}
}
