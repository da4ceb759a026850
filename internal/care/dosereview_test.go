package care_test

import (
	"testing"
	"time"

	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/testdb/teststore"
)

// A recorded review ends what is owed of it, whoever has taken it, and nothing else.
func TestARecordedReviewEndsItsEpisode(t *testing.T) {
	for _, c := range []struct {
		taker   string
		outcome records.DoseOutcome
		reason  string
	}{
		{"", dosereview.NoChange, episodes.Reviewed},
		{"pia", dosereview.Suggested, episodes.ProviderTold},
		{"raj", dosereview.Held, episodes.ProviderTold},
		{"raj", dosereview.Other, episodes.OtherReason},
	} {
		t.Run(string(c.outcome)+" "+c.taker, func(t *testing.T) {
			m := teststore.Empty(t)
			scene := episodes.Scene{Unit: "4W", At: now.Add(-time.Hour), Stays: map[string]episodes.Presence{"S1": {}, "S2": {}}}
			for _, of := range []struct {
				kind records.EpisodeKind
				stay string
			}{{episodes.DoseReview, "S1"}, {episodes.DoseReview, "S2"}, {episodes.RecheckOverdue, "S1"}} {
				scene.Holds = append(scene.Holds, episodes.Condition{Kind: of.kind, StayID: of.stay, Trigger: "x", Opens: true})
			}
			if _, err := m.StepEpisodes(t.Context(), records.EpisodeScope{Unit: "4W"}, scene.At, func(have []records.Episode) []records.EpisodeChange {
				return episodes.Step(have, scene)
			}); err != nil {
				t.Fatal(err)
			}
			s := &care.Service{
				Answers: board{chart: clinical.Chart{Records: []clinical.Record{{Version: clinical.Version{Kind: clinical.KindVitals, SourceID: "v1"}}}}},
				Store:   m, Policy: policy.NewSwitch(policy.Default()),
			}
			id := episodes.IDOf(episodes.DoseReview, "S1", "x")
			if c.taker != "" {
				if _, err := s.Act(t.Context(), id, episodes.Action{Do: episodes.Take, Who: c.taker}, now); err != nil {
					t.Fatal(err)
				}
			}
			r := records.DoseReview{StayID: "S1", Who: "pia", At: now, Outcome: c.outcome}
			for range 2 { // a further review of a stay that owes none changes nothing
				if err := s.EndDoseReview(t.Context(), r, "a review was recorded"); err != nil {
					t.Fatal(err)
				}
			}
			h, err := s.Episode(t.Context(), id)
			if err != nil {
				t.Fatal(err)
			}
			last := h.Events[len(h.Events)-1]
			if e := h.Episode; e.State != episodes.Done || e.Ending != episodes.ByPerson || e.Who != "pia" || e.Reason != c.reason || len(e.Known) != 1 ||
				last.What != episodes.Closed || last.Note != "a review was recorded" {
				t.Errorf("the episode is %+v, its last event %+v", e, last)
			}
			left, err := s.Unit(t.Context(), "4W")
			if err != nil || len(left) != 2 {
				t.Errorf("%d are owed still, want 2: %v", len(left), err)
			}
		})
	}
}
