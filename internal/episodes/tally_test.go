package episodes_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

func TestTally(t *testing.T) {
	history := func(events ...records.EpisodeEvent) []records.EpisodeEvent {
		for n := range events {
			events[n].N, events[n].Kind, events[n].StayID = n+1, episodes.DoseReview, "S"
			if events[n].Unit == "" {
				events[n].Unit = "4W"
			}
		}
		return events
	}
	event := func(h float64, what records.EpisodeWhat, to records.EpisodeState, reason string) records.EpisodeEvent {
		return records.EpisodeEvent{At: after(h), What: what, To: to, Reason: reason, Who: "mb", Tells: what == episodes.Opened || what == episodes.Reopened}
	}
	moved := event(1, episodes.Moved, episodes.Open, "")
	elsewhere := event(0, episodes.Opened, episodes.Open, "")
	elsewhere.Unit = "7E"
	histories := [][]records.EpisodeEvent{
		history( // taken after 2 h, done after 6 h, opened again, closed after 1 h
			event(0, episodes.Opened, episodes.Open, ""), event(2, episodes.TakenOn, episodes.Taken, ""),
			event(3, episodes.Released, episodes.Open, ""), event(4, episodes.TakenOn, episodes.Taken, ""),
			event(6, episodes.Ended, episodes.Done, episodes.SetDone),
			event(8, episodes.Reopened, episodes.Open, ""), event(9, episodes.Closed, episodes.Done, episodes.Reviewed),
		),
		history(event(1, episodes.Opened, episodes.Open, "")),                                                                // owed at the end
		history(event(-5, episodes.Opened, episodes.Open, ""), event(1, episodes.TakenOn, episodes.Taken, "")),               // opened before, taken after 6 h
		history(event(-9, episodes.Opened, episodes.Open, ""), event(-1, episodes.Ended, episodes.Done, "left_unit")),        // before the time
		history(event(10, episodes.Opened, episodes.Open, ""), event(11, episodes.Closed, episodes.Done, episodes.Reviewed)), // after it
		history(elsewhere, moved, event(2, episodes.Closed, episodes.Done, episodes.Reviewed)),
		nil,
	}
	rate := 3.0
	taking, ending := 4*time.Hour, 2*time.Hour
	want := episodes.Count{
		Opened: 2, Reopened: 1, Arrived: 1, Per100: &rate,
		Evidence: map[string]int{episodes.SetDone: 1}, Person: map[string]int{episodes.Reviewed: 2}, StillOpen: 2,
		AtTaking: &taking, AtEnding: &ending,
	}
	got := episodes.Tally(histories, "4W", after(0), after(10), 100)
	ofKind := want
	ofKind.Kind = episodes.DoseReview
	if d := cmp.Diff([]episodes.Count{want, ofKind}, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if evidence, person := got[0].Ended(); evidence != 1 || person != 2 {
		t.Errorf("%d and %d ended", evidence, person)
	}
	none := episodes.Tally(nil, "4W", after(0), after(10), 0)
	if len(none) != 1 || none[0].Per100 != nil || none[0].AtTaking != nil || none[0].AtEnding != nil {
		t.Errorf("nothing is known, and the tally says %+v", none)
	}
}
