package episodes_test

import (
	"encoding/json"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// What a figure is called in JSON is kept for good, and every rule of an episode has its
// figures.
func TestFiguresComeBackAsTheyWere(t *testing.T) {
	drop, later := 34.0, after(2)
	full := map[string]episodes.Condition{
		alerts.TStopped: {Figures: alerts.SetFigures{SetAt: start, Criteria: []string{"systolic_drop"}, Symptoms: []string{}, SystolicDrop: &drop}},
		alerts.TWatch:   {Figures: alerts.WatchFigures{Contributors: []string{"volume"}, SetAt: &later}},
		episodes.CFeed:  {Figures: episodes.FeedFigures{Feed: "feed folder", Why: "gone", Since: &later}},
		"":              {Figures: episodes.Evidence{SetAt: start, ClearedAt: later, ClearedBy: "Dr A"}},
	}
	for _, r := range episodes.Rules {
		if _, given := full[r.ID]; !given {
			full[r.ID] = episodes.Condition{Figures: r.Figures}
		}
	}
	for rule, c := range full {
		v := records.EpisodeEvent{Rule: rule, Figures: c.Figures}
		e := records.Episode{Rule: rule, Figures: c.Figures}
		said, errV := json.Marshal(v)
		body, errE := json.Marshal(e)
		backV, errReadV := records.ReadEpisodeEvent(said, episodes.KeptRules)
		backE, errReadE := records.ReadEpisode(body, episodes.KeptRules)
		if err := errors.Join(errV, errE, errReadV, errReadE); err != nil {
			t.Fatalf("%s, %s: %v", said, body, err)
		}
		if d := cmp.Diff(v, backV) + cmp.Diff(e, backE); d != "" {
			t.Errorf("%s (-want +got):\n%s", rule, d)
		}
	}
}

func TestFiguresThatCannotBeReadAreRefused(t *testing.T) {
	for _, body := range []string{
		`{"rule":"T-UNKNOWN","figures":{"fell_at":"2026-11-20T08:05:00Z"}}`,
		`{"rule":"T-FALL","figures":{"fell_at":"yesterday"}}`,
		`{"rule":"T-FALL","figures":["fell"]}`,
	} {
		if v, err := records.ReadEpisodeEvent([]byte(body), episodes.KeptRules); err == nil {
			t.Errorf("%s is read as %+v", body, v.Figures)
		}
	}
	if f, err := records.ReadFigures(episodes.KeptRules, "T-UNKNOWN", []byte("null")); f != nil || err != nil {
		t.Errorf("no figures: %v %v", f, err)
	}
}
