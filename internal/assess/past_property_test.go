package assess_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/trends"
)

// Whatever was asked before, and in whichever order, what is kept of past stays
// changes no figure.
func TestWhatIsKeptOfPastStaysChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawRows(t).read(t, time.UTC, utc)
		for range 4 {
			from := epoch.AddDate(0, 0, rapid.IntRange(-20, 10).Draw(t, "from"))
			to := from.AddDate(0, 0, rapid.IntRange(1, 40).Draw(t, "days"))
			by := rapid.SampledFrom([]string{trends.ByMonth, trends.ByWeek}).Draw(t, "by")
			unit := rapid.SampledFrom([]string{"4W", "7E"}).Draw(t, "unit")
			now := minute(t, "now")
			got, err := s.Unit(context.Background(), unit, from, to, by, now)
			fresh := assess.Service{Store: s.Store, Policy: s.Policy, Zone: s.Zone}
			want, again := fresh.Unit(context.Background(), unit, from, to, by, now)
			if (err == nil) != (again == nil) {
				t.Fatalf("kept: %v, fresh: %v", err, again)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Fatalf("%s by %s from %s to %s at %s (-fresh +kept):\n%s", unit, by, from, to, now, diff)
			}
		}
	})
}

// Precautions of a period are those of the list as it was known at its end.
func TestPrecautionsOfAPeriodAreThoseOfItsLastList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawRows(t).read(t, time.UTC, utc)
		now := minute(t, "now")
		f, err := s.Unit(context.Background(), "4W", epoch.AddDate(0, 0, -2), epoch.AddDate(0, 0, 20), trends.ByWeek, now)
		if err != nil {
			return // no stay names the unit
		}
		for _, p := range f.Periods {
			if !p.From.Before(now) {
				continue
			}
			list, err := s.List(context.Background(), "4W", p.LookedAt)
			if err != nil {
				t.Fatal(err)
			}
			present, asked, lacking := 0, 0, 0
			for _, a := range list {
				present++
				if a.Died() {
					continue // nothing is asked of who died of a fall, whatever the rules hold of the chart
				}
				if a.Precautions.Needed {
					asked++
				}
				if len(a.Precautions.Missing) > 0 {
					lacking++
				}
			}
			if p.Present != present || p.Asked != asked || p.Lacking != lacking {
				t.Fatalf("%s: %d, %d, %d; the list has %d, %d, %d", p.LookedAt, p.Present, p.Asked, p.Lacking, present, asked, lacking)
			}
		}
	})
}

// Who died of a fall is present and lacks nothing; a fall of any other injury asks for the bundle.
func TestWhoDiedOfAFallLacksNoPrecaution(t *testing.T) {
	for injury, want := range map[string]int{"death": 0, "major": 1} {
		fact := func(kind clinical.Kind, id string, at time.Time, b clinical.Body) clinical.Version {
			return clinical.Version{
				Kind: kind, SourceID: id, StayID: "S1", RecordedAt: at, Stated: true, Status: clinical.Final, Body: b,
			}
		}
		s := assess.Service{Store: &assesstest.Memory{All: []clinical.Version{
			fact(clinical.KindStay, "S1", utcDay(1), clinical.Stay{PatientID: "P", Unit: "4W", AdmittedAt: utcDay(1)}),
			fact(clinical.KindFall, "F", utcDay(2), clinical.Fall{FellAt: utcDay(2), Injury: injury}),
		}}, Policy: policy.NewSwitch(policy.Default()), Zone: time.UTC}
		f, err := s.Unit(context.Background(), "4W", utcDay(1), utcDay(8), trends.ByMonth, utcDay(9))
		if err != nil || len(f.Periods) != 1 {
			t.Fatal(err, len(f.Periods))
		}
		if p := f.Periods[0]; p.Present != 1 || p.Asked != want || p.Lacking != want {
			t.Errorf("%s: %d present, %d asked for, %d lacking", injury, p.Present, p.Asked, p.Lacking)
		}
	}
}

// A fact that comes in late for a stay that is over is in the next answer.
func TestALateFactOfAPastStayCounts(t *testing.T) {
	admitted, left := utcDay(1), utcDay(5)
	memory := &assesstest.Memory{All: []clinical.Version{{
		Kind: clinical.KindStay, SourceID: "S1", StayID: "S1", RecordedAt: admitted, Status: clinical.Final,
		Body: clinical.Stay{PatientID: "P1", Unit: "4W", AdmittedAt: admitted, DischargedAt: &left},
	}}}
	s := &assess.Service{Store: memory, Policy: policy.NewSwitch(policy.Default()), Zone: time.UTC}
	falls := func() int {
		t.Helper()
		f, err := s.Unit(context.Background(), "4W", utcDay(1), utcDay(30), trends.ByMonth, utcDay(20))
		if err != nil {
			t.Fatal(err)
		}
		return f.Periods[0].Falls
	}
	if got := falls(); got != 0 {
		t.Fatalf("%d falls, want none", got)
	}
	memory.All = append(memory.All, clinical.Version{
		Kind: clinical.KindFall, SourceID: "F1", StayID: "S1", RecordedAt: utcDay(10), Stated: true, Status: clinical.Final,
		Body: clinical.Fall{FellAt: utcDay(3)},
	})
	if got := falls(); got != 1 {
		t.Errorf("%d falls after one was charted late, want 1", got)
	}
}

func utcDay(n int) time.Time { return time.Date(2026, 11, n, 12, 0, 0, 0, time.UTC) }
