package text

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
)

// Chicago's clocks went from 01:59:59 CDT back to 01:00 CST on 1 November 2026 and
// from 01:59:59 CST to 03:00 CDT on 8 March (rules of the zone database).
func TestATimeIsToldFromTheOneOfTheSameClock(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for at, want := range map[string]string{
		"2026-11-01T00:59:00-05:00": "1 Nov 00:59",
		"2026-11-01T01:00:00-05:00": "1 Nov 01:00 CDT",
		"2026-11-01T01:59:00-05:00": "1 Nov 01:59 CDT",
		"2026-11-01T01:00:00-06:00": "1 Nov 01:00 CST",
		"2026-11-01T01:59:00-06:00": "1 Nov 01:59 CST",
		"2026-11-01T02:00:00-06:00": "1 Nov 02:00",
		"2026-03-08T01:59:00-06:00": "8 Mar 2026 01:59",
		"2026-03-08T03:00:00-05:00": "8 Mar 2026 03:00",
		"2025-11-25T12:00:00-06:00": "25 Nov 2025 12:00",
		"2027-01-02T12:00:00-06:00": "2 Jan 12:00",
	} {
		moment, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t.Fatal(err)
		}
		if got := (Catalogue{Zone: chicago, At: noon}).Time(moment); got != want {
			t.Errorf("%s = %q, want %q", at, got, want)
		}
	}
}

func TestSeveralFallsAreCounted(t *testing.T) {
	for _, falls := range []any{2, 2.0} { // as made, and as kept
		f := figures()
		f["falls"] = falls
		r := alerts.Reason{Rule: alerts.TFall, Figures: f}
		for _, got := range []string{catalogue().Reason(r), catalogue().Brief(r)} {
			if !strings.Contains(got, "minor injury, the latest of 2 falls") {
				t.Errorf("%q does not say that there were two", got)
			}
		}
	}
}

func TestASetWithAPressureIsNotSaidToHaveNone(t *testing.T) {
	f := figures()
	delete(f, "baseline_systolic")
	delete(f, "upright_systolic") // one without a baseline has no drop and does not count
	if got := catalogue().Reason(alerts.Reason{Rule: alerts.TStopped, Figures: f}); !strings.HasSuffix(got, "; no drop can be told.") {
		t.Error(got)
	}
}

func TestOfADeathNoSetIsMissed(t *testing.T) {
	f := figures()
	f["injury"] = "death"
	if got := catalogue().Reason(alerts.Reason{Rule: alerts.TFall, Figures: f}); got != "Fell 20 Nov 10:00 (2 h ago), died of it; no set is asked for." {
		t.Error(got)
	}
}
