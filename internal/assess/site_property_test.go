package assess_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// written is a feed of CSV rows whose moments are still to be written.
type written map[string][]func(moment func(time.Time) string) string

// drawRows draws a feed as it is charted: rows of several kinds, with moments.
func drawRows(t *rapid.T) written {
	rows := written{}
	add := func(file, form string, moments ...time.Time) {
		rows[file] = append(rows[file], func(moment func(time.Time) string) string {
			row := form
			for _, m := range moments {
				row = strings.Replace(row, "@", moment(m), 1)
			}
			return row
		})
	}
	add("stays", "S1,P1,4W,@,12,1950-09-01", epoch)
	add("stays", "S2,P2,4W,@,3,1985-09-01", epoch.Add(7*time.Hour))
	for n := range rapid.IntRange(3, 40).Draw(t, "rows") {
		at, stay := minute(t, "at"), some(t, "stay", "S1", "S1", "S2")
		switch some(t, "file", "vitals", "vitals", "vitals", "falls", "orders", "doses", "fluids", "weights") {
		case "vitals":
			add("vitals", fmt.Sprintf("v%d,%s,@,%d,%d,%d,%s", n, stay, rapid.IntRange(80, 180).Draw(t, "systolic"), rapid.IntRange(45, 75).Draw(t, "diastolic"),
				rapid.IntRange(50, 120).Draw(t, "pulse"), some(t, "position", "lying", "sitting", "standing")), at)
		case "falls":
			add("falls", fmt.Sprintf("f%d,%s,@,%s", n, stay, some(t, "injury", "", "none", "minor")), at)
		case "orders":
			add("orders", fmt.Sprintf("o%d,%s,furosemide,@,%d,mg,1", n, stay, 20*rapid.IntRange(1, 4).Draw(t, "dose")), at)
		case "doses":
			add("doses", fmt.Sprintf("d%d,%s,furosemide,@,40,mg", n, stay), at)
		case "fluids":
			add("fluids", fmt.Sprintf("l%d,%s,@,@,out,400,urine", n, stay), at, at.Add(3*time.Hour))
		case "weights":
			add("weights", fmt.Sprintf("w%d,%s,@,%d", n, stay, rapid.IntRange(60, 70).Draw(t, "kg")), at)
		}
	}
	return rows
}

var headers = map[string]string{
	"stays": "stay_id,patient_id,unit,admitted_at,bed,birth_date", "vitals": "source_id,stay_id,taken_at,systolic,diastolic,heart_rate,position",
	"falls": "source_id,stay_id,fell_at,injury", "orders": "source_id,stay_id,drug,start_at,dose,dose_unit,times_per_day",
	"doses": "source_id,stay_id,drug,given_at,dose,dose_unit", "fluids": "source_id,stay_id,from,to,direction,volume,kind",
	"weights": "source_id,stay_id,measured_at,weight",
}

// read reads a feed whose moments are written by moment, at a site in a zone.
func (w written) read(t *rapid.T, zone *time.Location, moment func(time.Time) string) *assess.Service {
	m := &assesstest.Memory{}
	for file, rows := range w {
		text := headers[file] + "\n"
		for _, r := range rows {
			text += r(moment) + "\n"
		}
		if err := m.Read(bytes.NewBufferString(text), file+".csv", zone, epoch.Add(30*24*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	if len(m.Rows) > 0 {
		t.Fatalf("a row was held back: %s", m.Rows[0].Reason)
	}
	return &assess.Service{Store: m, Policy: policy.Default(), Zone: zone}
}

// documents writes the published documents of a moment. Sentences tell times in
// one zone, so that only figures can differ.
func documents(t *rapid.T, s *assess.Service, at time.Time) string {
	ctx := context.Background()
	c := text.Catalogue{Zone: time.UTC, At: at}
	list, err := s.List(ctx, "4W", at)
	if err != nil {
		t.Fatal(err)
	}
	out := []any{report.ListOf("4W", "", clinical.DefaultPolicy().Unit, list, c)}
	for _, stay := range []string{"S1", "S2"} {
		chart, err := s.Chart(ctx, stay, at)
		if clinical.CodeOf(err) == clinical.NotFound {
			continue
		} else if err != nil {
			t.Fatal(err)
		}
		out = append(out, report.FactsOf(chart, s.Policy.Current().Policy.Plausible))
		if chart.Stay != nil {
			out = append(out, s.Digest(chart).Sets, alerts.RechecksOf(s.Digest(chart), s.Policy.Current().Policy, s.Zone))
		}
	}
	text, err := json.MarshalIndent(out, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func utc(at time.Time) string { return at.UTC().Format(time.RFC3339) }

func unitOf(t *rapid.T, s *assess.Service, now time.Time) trends.UnitFigures {
	f, err := s.Unit(context.Background(), "4W", epoch.AddDate(0, 0, -1), epoch.AddDate(0, 0, 20), trends.ByWeek, now)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func unitDocument(t *rapid.T, s *assess.Service, now time.Time) string {
	text, err := json.MarshalIndent(report.UnitOf("4W", unitOf(t, s, now)), "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The same instants written with other offsets are the same facts.
func TestOffsetsAsWrittenChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows, at := drawRows(t), minute(t, "as of")
		offset := func(m time.Time) string {
			hours := rapid.IntRange(-12, 14).Draw(t, "offset")
			return m.In(time.FixedZone("", hours*3600+some(t, "and", 0, 1800, 2700)*min(hours, 1))).Format(time.RFC3339)
		}
		a, b := rows.read(t, time.UTC, utc), rows.read(t, time.UTC, offset)
		if got, want := documents(t, b, at), documents(t, a, at); got != want {
			t.Fatalf("with offsets %s\nwant %s", got, want)
		}
		if got, want := unitDocument(t, b, at), unitDocument(t, a, at); got != want {
			t.Fatalf("with offsets %s\nwant %s", got, want)
		}
	})
}

// A site in another zone has other days, and with them other ages and tallies by
// day. Everything else is the same: nobody here has a birthday in these weeks.
func TestTheSitesZoneChangesOnlyAgesAndTalliesByDay(t *testing.T) {
	zones := []string{"America/New_York", "Asia/Kolkata", "Pacific/Auckland", "America/St_Johns"}
	rapid.Check(t, func(t *rapid.T) {
		rows, at := drawRows(t), minute(t, "as of")
		zone, err := time.LoadLocation(some(t, "zone", zones...))
		if err != nil {
			t.Fatal(err)
		}
		a, b := rows.read(t, time.UTC, utc), rows.read(t, zone, utc)
		if got, want := documents(t, b, at), documents(t, a, at); got != want {
			t.Fatalf("in %s %s\nin UTC %s", zone, got, want)
		}
		if got, want := sums(unitOf(t, b, at)), sums(unitOf(t, a, at)); got != want {
			t.Fatalf("in %s %s, in UTC %s", zone, got, want)
		}
	})
}

// sums tells what was counted over all periods, but for days.
func sums(f trends.UnitFigures) string {
	var all trends.UnitPeriod
	for _, p := range f.Periods {
		all.Falls += p.Falls
		all.WithInjury += p.WithInjury
		all.Sets += p.Sets
		all.Positive += p.Positive
		all.RechecksDue += p.RechecksDue
		all.RechecksInTime += p.RechecksInTime
		all.Measured += p.Measured
		for n, d := range p.Digits {
			all.Digits[n] += d
		}
	}
	return fmt.Sprint(all.Falls, all.WithInjury, all.Sets, all.Positive, all.RechecksDue, all.RechecksInTime, all.Measured, all.Digits, len(f.DaysBetween))
}

// However a stretch of time is cut, its parts add up to the whole; and a census
// differs from hours by less than a day for each end of a presence.
func TestPartsOfATimeAddUpToTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawRows(t).read(t, time.UTC, utc)
		now := minute(t, "now")
		parts := unitOf(t, s, now)
		tally := func(days string, periods []trends.Period) trends.UnitFigures {
			l := s.Policy.Current()
			l.Policy.Unit.PatientDays = days
			p := assess.Service{Store: s.Store, Policy: l, Zone: s.Zone}
			f, err := p.Unit(context.Background(), "4W", periods[0].From, periods[0].To, trends.ByMonth, now)
			if err != nil {
				t.Fatal(err)
			}
			return f
		}
		march := []trends.Period{{From: epoch.AddDate(0, 0, -1), To: epoch.AddDate(0, 0, 20)}} // within one month
		census, hours := tally(clinical.ByMidnightCensus, march), tally(clinical.ByHours, march)
		if got, want := sums(parts), sums(census); got != want {
			t.Fatalf("by week %s, as a whole %s", got, want)
		}
		sum := 0.0
		for _, p := range parts.Periods {
			sum += p.PatientDays
		}
		if whole := census.Periods[0].PatientDays; sum != whole {
			t.Fatalf("%g patient-days by week, %g as a whole", sum, whole)
		}
		if c, h := census.Periods[0].PatientDays, hours.Periods[0].PatientDays; c < h-2 || c > h+2 {
			t.Fatalf("%g by census, %g by hours, of two stays", c, h)
		}
		for _, p := range parts.Periods {
			if p.RechecksInTime > p.RechecksDue || p.Positive > p.Sets || p.WithInjury > p.Falls {
				t.Fatalf("more than all: %+v", p)
			}
		}
	})
}

// Somebody else's facts change nobody's place and nobody's figures.
func TestAnUnrelatedPatientChangesNobodyElse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vs, at := drawFeed(t), minute(t, "as of")
		alone, _ := serviceOf(vs)
		more := append([]clinical.Version{}, vs...)
		for _, v := range drawFeed(t) {
			if v.StayID == "S2" || v.StayID == "" {
				continue
			}
			v.StayID = "S9"
			if v.Kind == clinical.KindStay {
				v.SourceID = "S9"
			} else {
				v.SourceID = "other " + v.SourceID
			}
			more = append(more, v)
		}
		together, _ := serviceOf(more)
		if got, want := withoutStay(t, together, at, "S9"), withoutStay(t, alone, at, "S9"); got != want {
			t.Fatalf("with somebody else %s\nalone %s", got, want)
		}
	})
}

// withoutStay is the list, in its order, without one stay and without ranks.
func withoutStay(t *rapid.T, s *assess.Service, at time.Time, stay string) string {
	list, err := s.List(context.Background(), "4W", at)
	if err != nil {
		t.Fatal(err)
	}
	doc := report.ListOf("4W", "", clinical.DefaultPolicy().Unit, list, s.Catalogue(at))
	var out []report.Patient
	for _, p := range doc.Patients {
		if p.StayID != stay {
			p.Rank = 0
			out = append(out, p)
		}
	}
	text, err := json.MarshalIndent(out, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
