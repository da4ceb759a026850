package care_test

import (
	"testing"
	"time"

	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
)

// A recorded review ends what is owed of it, whoever has taken it, and nothing else.
func TestARecordedReviewEndsItsEpisode(t *testing.T) {
	for name, taker := range map[string]string{"open": "", "taken by the same": "pia", "taken by somebody else": "raj"} {
		t.Run(name, func(t *testing.T) {
			m := newMemory()
			put := func(kind episodes.Kind, stay string, state episodes.State) string {
				id := episodes.IDOf(kind, stay, "x")
				m.all[id] = episodes.Episode{ID: id, Kind: kind, StayID: stay, Trigger: "x", Unit: "4W", State: state, RaisedAt: now.Add(-time.Hour)}
				return id
			}
			review := put(episodes.DoseReview, "S1", episodes.Open)
			others := []string{put(episodes.DoseReview, "S2", episodes.Open), put(episodes.RecheckOverdue, "S1", episodes.Open)}
			s := &care.Service{
				Board: board{chart: clinical.Chart{Records: []clinical.Record{{Version: clinical.Version{Kind: clinical.KindVitals, SourceID: "v1"}}}}},
				Store: m, Policy: policy.NewSwitch(policy.Default()),
			}
			if taker != "" {
				if _, err := s.Act(t.Context(), review, episodes.Action{Do: episodes.Take, Who: taker}, now); err != nil {
					t.Fatal(err)
				}
			}
			if err := s.EndDoseReview(t.Context(), "S1", "pia", "a review was recorded", now); err != nil {
				t.Fatal(err)
			}
			e := m.all[review]
			if e.State != episodes.Done || e.Ending != episodes.ByPerson || e.Who != "pia" || e.Reason != "a review was recorded" || len(e.Known) != 1 {
				t.Errorf("the episode is %+v", e)
			}
			for _, id := range others {
				if m.all[id].State != episodes.Open {
					t.Errorf("%s of %s is %s", m.all[id].Kind, m.all[id].StayID, m.all[id].State)
				}
			}
			if err := s.EndDoseReview(t.Context(), "S1", "pia", "again", now); err != nil || m.all[review].Reason != "a review was recorded" {
				t.Errorf("a second review of a stay that owes none: %v, %+v", err, m.all[review])
			}
		})
	}
}
