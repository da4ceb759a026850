package alerts_test

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// The window is that of D-RECENT: 72 h by default, its early end outside.
func TestDropsAfterAChange(t *testing.T) {
	at := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	set := func(after time.Duration, finding string) trends.Set {
		return trends.Set{StartedAt: at.Add(after), Finding: finding}
	}
	change := trends.Change{Drug: "doxazosin", Change: trends.Raised, At: at, Lowering: true}
	lowered := change
	lowered.Change = trends.Lowered
	p := clinical.DefaultPolicy().DoseReview
	for name, c := range map[string]struct {
		change trends.Change
		sets   []trends.Set
		want   time.Duration // -1: none
	}{
		"at once":              {change, []trends.Set{set(0, trends.Positive)}, 0},
		"the first of two":     {change, []trends.Set{set(3*time.Hour, trends.Positive), set(9*time.Hour, trends.Positive)}, 3 * time.Hour},
		"before it":            {change, []trends.Set{set(-time.Minute, trends.Positive)}, -1},
		"a minute under 72 h":  {change, []trends.Set{set(72*time.Hour-time.Minute, trends.Positive)}, 72*time.Hour - time.Minute},
		"72 h":                 {change, []trends.Set{set(72*time.Hour, trends.Positive)}, -1},
		"negative, then later": {change, []trends.Set{set(time.Hour, trends.Negative), set(5*time.Hour, trends.Positive)}, 5 * time.Hour},
		"a dose lowered":       {lowered, []trends.Set{set(time.Hour, trends.Positive)}, -1},
	} {
		d := trends.Digest{Sets: c.sets, Changes: []trends.Change{c.change}}
		got := alerts.DropsAfter(d, p, func(trends.Change) bool { return true })
		switch {
		case c.want < 0 && len(got) > 0:
			t.Errorf("%s: found one after %v", name, got[0].After)
		case c.want >= 0 && (len(got) != 1 || got[0].After != c.want):
			t.Errorf("%s: %+v, want one after %v", name, got, c.want)
		}
		if none := alerts.DropsAfter(d, p, func(c trends.Change) bool { return c.Drug == "furosemide" }); len(none) > 0 {
			t.Errorf("%s: found for another drug", name)
		}
	}
}

// Changes that do not count are passed over; the ones behind them are looked at.
func TestDropsAfterEveryChangeByTime(t *testing.T) {
	at := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	change := func(drug, kind string, hours float64) trends.Change {
		return trends.Change{Drug: drug, Change: kind, At: at.Add(clinical.Hours(hours)), Lowering: true}
	}
	d := trends.Digest{
		Sets: []trends.Set{{StartedAt: at.Add(clinical.Hours(9)), Finding: trends.Positive}},
		Changes: []trends.Change{
			change("doxazosin", trends.Lowered, 0), change("furosemide", trends.Raised, 1),
			change("lisinopril", trends.Started, 2), change("amlodipine", trends.Resumed, 3),
		},
	}
	var got []string
	for _, a := range alerts.DropsAfter(d, clinical.DefaultPolicy().DoseReview, func(c trends.Change) bool { return c.Drug != "lisinopril" }) {
		got = append(got, a.Change.Drug+" "+a.After.String())
	}
	if want := "furosemide 8h0m0s, amlodipine 6h0m0s"; strings.Join(got, ", ") != want {
		t.Errorf("drops after %q, want %s", got, want)
	}
	if none := alerts.DropsAfter(trends.Digest{}, clinical.DefaultPolicy().DoseReview, func(trends.Change) bool { return true }); len(none) != 0 {
		t.Errorf("without changes: %+v", none)
	}
}
