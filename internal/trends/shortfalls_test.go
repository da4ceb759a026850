package trends

import (
	"fmt"
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

// The figures are those of the rules: 5 min of rest, 15 min from the reading at rest to
// standing (S-INFER), half a minute to 5 and a half upright, ends included.
func TestWhatASetFallsShortOf(t *testing.T) {
	for _, c := range []struct{ what, readings, want string }{
		{"as the protocol says", "0 lying 120/70 up=5; 1 standing 118/70 up=1; 3 standing 118/70 up=3", ""},
		{"nothing upright", "0 lying 120/70 up=1", ""},
		{"lying twice", "0 lying 120/70 up=5; 20 lying 118/70 up=1", ""},
		{"a drop and a pulse", "0 lying 150/70 70 up=5; 1 standing 118/70 90 up=1", ""},
		{"late twice", "0 lying 120/70 up=5; 7 standing 118/70 up=7; 9 standing 118/70 up=9", "too_late 7"},
		{"early twice", "0 lying 120/70 up=5; .2 standing 118/70 up=.2; .4 standing 118/70 up=.4", "too_early 0.2"},
		{"a second one early, by its chart", "0 lying 120/70 up=5; 7 standing 118/70 up=7; 8 standing 118/70 up=.2", "too_late 7"},
		{"a rest of 1 min", "0 lying 120/70 up=1; 1 standing 118/70 up=1", "short_rest 1"},
		{"a rest that was not charted", "0 lying 120/70; 1 standing 118/70 up=1", ""},
		{"a short rest before a drop", "0 lying 150/70 up=4.9; 1 standing 118/70 up=1", "short_rest 4.9"},
		{"up after 40 min", "0 lying 120/70 up=5; 41 standing 118/70 up=1", "old_baseline 40"},
		{"up after 15 min", "0 lying 120/70 up=5; 16 standing 118/70 up=1", ""},
		{"up after more", "0 lying 120/70 up=5; 16.5 standing 118/70 up=1", "old_baseline 15.5"},
		{"sat up after 40 min", "0 lying 120/70 up=5; 41 sitting 118/70 up=1", "old_baseline 40"},
		{"minutes by the clock alone", "0 lying 120/70 up=5; 20 standing 118/70", "old_baseline 20, too_late 20"},
		{"at 20 seconds", "0 lying 120/70 up=5; .3 standing 118/70 up=.3; 3 standing 118/70 up=3", "too_early 0.3"},
		{"at half a minute", "0 lying 120/70 up=5; .5 standing 118/70 up=.5", ""},
		{"at 7 min alone", "0 lying 120/70 up=5; 7 standing 118/70 up=7", "too_late 7"},
		{"at 5 and a half", "0 lying 120/70 up=5; 5.5 standing 118/70 up=5.5", ""},
		{"at 7 min with a drop", "0 lying 150/70 up=5; 7 standing 118/70 up=7", ""},
		{"at 3 and 7 min", "0 lying 120/70 up=5; 3 standing 118/70 up=3; 7 standing 118/70 up=7", ""},
		{"at 20 seconds and 7 min", "0 lying 120/70 up=5; .3 standing 118/70 up=.3; 7 standing 118/70 up=7", "too_early 0.3, too_late 7"},
		{"sat first, at 7 min", "0 lying 120/70 up=5; 2 sitting 118/70 up=2; 7 standing 118/70 up=7", "too_late 7"},
		{"no pressure first, then at 7 min", "0 lying 120/70 up=5; 2 standing -/- up=2; 7 standing 118/70 up=7", "too_late 7"},
		{"sitting at 7 min", "0 lying 120/70 up=5; 7 sitting 118/70 up=7", ""},
		{"sat down before a pressure was taken", "0 lying 120/70 up=5; 7 standing -/- up=7 sym=nausea stop", ""},
		{"without a pressure at rest", "0 lying -/- up=1; 7 standing 118/70 up=7", ""},
	} {
		var vitals []clinical.Vitals
		for _, v := range newChart(t).readings(c.readings).versions {
			vitals = append(vitals, v.Body.(clinical.Vitals))
		}
		var got []string
		for _, s := range ShortfallsOf(vitals, clinical.DefaultPolicy()) {
			got = append(got, fmt.Sprintf("%s %g", s.What, s.Minutes))
		}
		if strings.Join(got, ", ") != c.want {
			t.Errorf("%s: %v, want %q", c.what, got, c.want)
		}
	}
}
