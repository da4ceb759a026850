package feedcheck

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// fact is a version that the feed csv recorded at its own time.
func fact(id string, status clinical.Status, b clinical.Body) clinical.Version {
	return clinical.Version{
		Kind: b.FactKind(), SourceID: id, StayID: "S1", RecordedAt: b.OwnTime(), Stated: true,
		Status: status, Body: b, Feed: "csv",
	}
}

// The figures of this stay are counted by hand: it moves from 4W to 7E at noon, in a zone whose day
// begins an hour before that of UTC.
func TestWhatIsCountedOfAStay(t *testing.T) {
	zone := time.FixedZone("here", 3600)
	systolic := 120.
	at := func(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }
	reading := func(id string, h float64, p clinical.Position) clinical.Version {
		return fact(id, clinical.Final, clinical.Vitals{TakenAt: at(h), Systolic: &systolic, Position: p})
	}
	pulse := 70.
	here := reading("here-1", 2, clinical.Standing)
	here.Feed = clinical.BedsideFeed
	stay := clinical.Stay{PatientID: "P1", Unit: "4W", AdmittedAt: at(-20)}
	moved := stay
	moved.Unit = "7E"
	transfer := fact("S1", clinical.Final, moved)
	transfer.RecordedAt = at(0)
	known, unknown := clinical.Drug{Text: "furosemide"}, clinical.Drug{Text: "House pill"}
	other := fact("d2", clinical.Completed, clinical.Dose{Drug: unknown, GivenAt: at(2), OrderID: "O1"})
	other.Feed = "hl7"
	taken := reading("v9", 3, clinical.Lying)
	back := taken
	back.Status, back.RecordedAt = clinical.EnteredInError, at(4)
	versions := []clinical.Version{
		fact("S1", clinical.Final, stay), transfer,
		reading("v1", -2, clinical.Lying), reading("v2", -1, clinical.NoPosition), // on 4W
		reading("v3", 1, clinical.Standing),    // on 7E
		reading("v4", 11.5, clinical.Standing), // half past midnight of the next day, here
		fact("v5", clinical.Final, clinical.Vitals{TakenAt: at(1), HeartRate: &pulse, Position: clinical.Lying}), // no pressure
		here, taken, back,
		fact("O1", clinical.Active, clinical.Order{Drug: known, StartAt: at(-30)}), // before admission: its first unit
		fact("O2", clinical.Active, clinical.Order{Drug: unknown, StartAt: at(1)}),
		fact("O3", clinical.Active, clinical.Order{Drug: clinical.Drug{Text: "saline"}, StartAt: at(1)}), // of no concern
		fact("d1", clinical.Completed, clinical.Dose{Drug: unknown, GivenAt: at(1), OrderID: "O9"}),      // of an order that is not there
		other, // known by its order
		fact("p1", clinical.Final, clinical.Precaution{Precaution: "bed alarm", StartedAt: at(1)}),
		fact("f1", clinical.Final, clinical.Fluid{From: at(-5), To: at(-1), Direction: "in", VolumeML: 100}),
		fact("w1", clinical.Final, clinical.Weight{MeasuredAt: at(-3), KG: 70}),
		fact("l1", clinical.Final, clinical.Lab{TakenAt: at(-3), LOINC: clinical.Haemoglobin, Value: 12}),
	}
	sets := []trends.Set{{StartedAt: at(-2), Facts: []string{"v1", "v2"}}, {StartedAt: at(2), Facts: []string{"here-1"}}}
	got := CountOf(clinical.ChartAt("S1", versions, AllKnown()), sets, []string{"Saline"}, zone)
	want := records.StayTally{
		StayID: "S1",
		Days: []records.DayTally{
			{Unit: "4W", Feed: "csv", Day: "2026-11-24", FactCounts: records.FactCounts{Orders: 1, OrdersKnown: 1}},
			{Unit: "4W", Feed: "csv", Day: "2026-11-25", FactCounts: records.FactCounts{
				Readings: 2, Positioned: 1, Sets: 1, Fluids: 1, Weights: 1, Labs: 1,
			}},
			{Unit: "7E", Feed: "csv", Day: "2026-11-25", FactCounts: records.FactCounts{
				Readings: 1, Positioned: 1, Orders: 2, OrdersKnown: 1, Doses: 1, Precautions: 1,
			}},
			{Unit: "7E", Feed: "hl7", Day: "2026-11-25", FactCounts: records.FactCounts{Doses: 1, DosesKnown: 1, DosesOrdered: 1}},
			{Unit: "7E", Feed: "csv", Day: "2026-11-26", FactCounts: records.FactCounts{Readings: 1, Positioned: 1}},
		},
		Spans: []records.UnitSpan{{Unit: "4W", From: at(-20), To: at(0)}, {Unit: "7E", From: at(0)}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Where two feeds bring a unit, each is judged by itself beside all together; a fault of one that
// the whole does not show is told of that one.
func TestASingleFeedThatFallsShort(t *testing.T) {
	now := time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)
	w := &Watch{Zone: time.UTC}
	days := w.days(time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC), now)
	var tallies []records.DayTally
	for n, d := range days {
		monitors := 30
		if n >= len(days)-2 {
			monitors = 0
		}
		day := d.Date.Format(time.DateOnly)
		tallies = append(tallies,
			records.DayTally{Unit: "4W", Feed: "hl7", Day: day, FactCounts: readings(60, monitors)},
			records.DayTally{Unit: "4W", Feed: "fhir", Day: day, FactCounts: readings(200, 150)})
	}
	spans := []records.UnitSpan{
		{Unit: "4W", From: days[0].Date}, {Unit: "4W", From: days[0].Date, To: days[10].Date},
		{Unit: "7E", From: now.Add(-6 * time.Hour)},
	}
	report := w.reports(days, tallies, spans, now)
	var names []string
	for _, r := range report {
		names = append(names, r.Unit+" "+r.Feed)
	}
	if diff := cmp.Diff([]string{"4W ", "4W fhir", "4W hl7", "7E "}, names); diff != "" {
		t.Fatal(diff)
	}
	gaps := Gaps(report)
	if len(gaps) != 1 || gaps[0].Feed != "hl7" || gaps[0].Habit.Measure != Positions || gaps[0].Habit.State != None ||
		!gaps[0].Habit.Since.Equal(days[len(days)-2].Date) {
		t.Errorf("gaps: %+v", gaps)
	}
	// Patient-days: two for ten days, then one, and of the day that runs 20 hours.
	at := report[0].Habit(Readings).Days
	for n, want := range map[int]float64{0: 2, 9: 2, 10: 1, len(days) - 2: 1, len(days) - 1: 20. / 24} {
		if got := at[n].PatientDays; got < want-1e-9 || got > want+1e-9 {
			t.Errorf("day %d: %v patient-days, want %v", n, got, want)
		}
	}
	if today := at[len(at)-1]; today.State != "" || today.Over {
		t.Errorf("the day that runs is judged by its count: %+v", today.State)
	}
}
