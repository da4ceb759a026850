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

// reviewing keeps two stays that owe a dose review, one of them a set besides, opened an hour ago.
func reviewing(t *testing.T) *care.Service {
	t.Helper()
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
	return &care.Service{
		Answers: unitAnswers{chart: clinical.Chart{Records: []clinical.Record{{Version: clinical.Version{Kind: clinical.KindVitals, SourceID: "v1"}}}}},
		Store:   m, Policy: policy.NewSwitch(policy.Default()),
	}
}

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
			s := reviewing(t)
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

// Taking a review back makes owed again what it closed, unless another review answers it.
func TestTakingAReviewBackMakesItOwedAgain(t *testing.T) {
	s := reviewing(t)
	id := episodes.IDOf(episodes.DoseReview, "S1", "x")
	back := func(h float64, who string) records.ReviewStep {
		return records.ReviewStep{What: records.TakenBack, Who: who, Note: "another patient", At: now.Add(clinical.Hours(h))}
	}
	state := func() records.Episode {
		h, err := s.Episode(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		return h.Episode
	}
	first := records.DoseReview{StayID: "S1", Number: 1, Who: "pia", At: now, Outcome: dosereview.NoChange}
	second := records.DoseReview{StayID: "S1", Number: 2, Who: "raj", At: now.Add(time.Hour), Outcome: dosereview.NoChange}
	for _, r := range []records.DoseReview{first, second} {
		if err := s.EndDoseReview(t.Context(), r, "a review was recorded"); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		what    string
		reviews []records.DoseReview
		want    records.EpisodeState
	}{
		{"none is taken back", []records.DoseReview{first, second}, episodes.Done},
		{"a later one stands", []records.DoseReview{taken(first, back(2, "pia")), second}, episodes.Done},
		{"both are taken back", []records.DoseReview{taken(first, back(2, "pia")), taken(second, back(3, "ann"))}, episodes.Open},
		{"pressed twice", []records.DoseReview{taken(first, back(2, "pia")), taken(second, back(3, "ann"))}, episodes.Open},
	} {
		if err := s.TakeReviewBack(t.Context(), "S1", c.reviews, now.Add(4*time.Hour)); err != nil {
			t.Fatal(err)
		}
		if e := state(); e.State != c.want {
			t.Errorf("%s: the episode is %s, want %s", c.what, e.State, c.want)
		}
	}
	if e := state(); e.Events != 3 || e.OwedFor(now.Add(4*time.Hour)) != 5*time.Hour || e.Who != "" {
		t.Errorf("owed again: %+v", e)
	}
}

// taken is a review with the step that took it back.
func taken(r records.DoseReview, step records.ReviewStep) records.DoseReview {
	r.Steps = []records.ReviewStep{step}
	return r
}
