package store

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// What was given on the huddle's page before it was an event of an episode is one afterwards:
// the last name of what is still open, and nothing of the rest. Events replay to the episode.
func TestWhatWasGivenGoesOver(t *testing.T) {
	bare(t, func(t *testing.T, target string) {
		s := openTarget(t, target)
		s.EpisodeRules = []clinical.Rule{}
		migrateTo(t, s, 16)
		keep := func(id string, kind records.EpisodeKind, stay string, state records.EpisodeState) {
			opened := records.EpisodeEvent{EpisodeID: id, N: 1, At: noon, Who: "program", What: episodes.Opened, To: episodes.Open,
				Kind: kind, StayID: stay, Trigger: id + " <&>", Unit: "4W", Tells: true}
			e := episodes.Replay([]records.EpisodeEvent{opened})
			e.State = state
			body, said := string(get(json.Marshal(e))(t)), string(get(json.Marshal(opened))(t))
			must(t, s.write.Exec(`INSERT INTO episodes (id, kind, stay_id, unit, state, opened_at, changed_at, events, body)
				VALUES (?, ?, ?, '4W', ?, ?, ?, 1, ?)`, id, kind, stay, state, micros(noon), micros(noon), body).Error)
			must(t, s.write.Exec(`INSERT INTO episode_events (episode_id, n, at, unit, what, who, body) VALUES (?, 1, ?, '4W', 'opened', 'program', ?)`,
				id, micros(noon), said).Error)
		}
		keep("guards", episodes.PrecautionsMissing, "A", episodes.Open)
		keep("screen", episodes.RecheckOverdue, "A", episodes.Open)
		keep("fall", episodes.FallWithoutSet, "A", episodes.Open)
		keep("taken", episodes.DoseReview, "A", episodes.Taken)
		keep("back", episodes.PrecautionsMissing, "B", episodes.Open)
		keep("stale", episodes.PrecautionsMissing, "C", episodes.Open)
		for n, a := range []struct {
			stay, key, name string
			hours           float64
		}{
			{"C", "stale", "Old", -40}, {"A", "guards", "Ann", 1}, {"A", "guards", `Bo "é"`, 2}, {"A", "key of a set", "Cy", -1},
			{"A", "taken", "Di", 2}, {"B", "back", "Ed", 1}, {"B", "back", "", 2},
		} {
			must(t, s.write.Exec(`INSERT INTO assignments (unit, stay_id, key, name, who, at) VALUES ('4W', ?, ?, ?, 'mb', ?)`,
				a.stay, a.key, a.name, micros(hours(a.hours))+int64(n)).Error)
		}
		must(t, s.Migrate(t.Context()))
		want := map[string]string{"guards": `Bo "é"`, "screen": "Cy", "fall": "Cy", "taken": "", "back": "", "stale": ""}
		for id, name := range want {
			e := get(s.EpisodeByID(t.Context(), id))(t)
			events := get(s.EventsOfEpisodes(t.Context(), []string{id}))(t)[id]
			if (e.State == episodes.Assigned) != (name != "") || e.Who != name || name == "" && len(events) != 1 {
				t.Errorf("%s is %s of %q, by %d events; want %q", id, e.State, e.Who, len(events), name)
			}
			if name == "" {
				continue
			}
			if d := cmp.Diff(episodes.Replay(events), e, inUTC); d != "" {
				t.Errorf("%s: the events give another episode (-events +kept):\n%s", id, d)
			}
			if e.By != "mb" || e.Trigger != id+" <&>" || e.Until.Sub(e.ChangedAt) > 24*60*60*1e9 || !e.Until.After(noon) {
				t.Errorf("%s: %+v", id, e)
			}
		}
	})
}

func TestWhenNamesWereLastGivenApart(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		if last := get(s.LastAssignment(t.Context()))(t); !last.IsZero() {
			t.Errorf("nothing was given apart, and yet last at %s", last)
		}
		for _, h := range []float64{-3, -1, -2} {
			must(t, s.write.Exec(`INSERT INTO assignments (unit, stay_id, key, name, who, at) VALUES ('4W', 'A', 'k', 'Ann', 'mb', ?)`,
				micros(hours(h))).Error)
		}
		if last := get(s.LastAssignment(t.Context()))(t); !last.Equal(hours(-1)) {
			t.Errorf("last at %s, want %s", last, hours(-1))
		}
	})
}
