package store

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// toldFigures are figures of the rule that the episodes of these tests are of.
type toldFigures struct {
	N    int    `json:"n"`
	Text string `json:"text"`
}

func (toldFigures) OfRule() {}

var episodeRules = []clinical.Rule{{ID: "R-TEST", Figures: toldFigures{}}}

// episode is one of stay A on a unit after n events, changed n hours after noon.
func episode(id, unit string, state records.EpisodeState, n int) records.Episode {
	return records.Episode{
		ID: id, Kind: "recheck_overdue", StayID: "A", Unit: unit, State: state,
		OpenedAt: hours(1), ChangedAt: hours(float64(n)), Events: n, Rule: "R-TEST", Figures: toldFigures{n, `naïve '"`},
	}
}

// changed is the n-th change of an episode; only the first one tells.
func changed(id, unit string, state records.EpisodeState, n int) records.EpisodeChange {
	e := episode(id, unit, state, n)
	return records.EpisodeChange{Episode: e, Event: records.EpisodeEvent{
		EpisodeID: id, N: n, At: e.ChangedAt, Unit: unit, What: records.EpisodeWhat(fmt.Sprint("event ", n)), Who: "program", Kind: e.Kind,
		StayID: e.StayID, Rule: e.Rule, Figures: e.Figures, Tells: n == 1,
	}}
}

func stepScope(t *testing.T, s *Store, scope records.EpisodeScope, h float64, changes ...records.EpisodeChange) (have []records.Episode, stepped bool) {
	t.Helper()
	stepped, err := s.StepEpisodes(t.Context(), scope, hours(h), func(list []records.Episode) []records.EpisodeChange {
		have = list
		return changes
	})
	must(t, err)
	return have, stepped
}

func ids(list []records.Episode) string {
	var out []string
	for _, e := range list {
		out = append(out, e.ID)
	}
	return strings.Join(out, " ")
}

func TestEpisodesComeBackAsTheyWere(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		unit := records.EpisodeScope{Name: "unit 4W", Unit: "4W"}
		stepScope(t, s, unit, 1, changed("b", "4W", "open", 1), changed("a", "4W", "open", 1))
		stepScope(t, s, records.EpisodeScope{Name: "unit 7E", Unit: "7E"}, 1, changed("c", "7E", "open", 1))
		have, _ := stepScope(t, s, unit, 2, changed("a", "4W", "done", 2))
		if got := ids(have); got != "a b" {
			t.Errorf("the step saw %q, want the unit's episodes in one order", got)
		}
		have, _ = stepScope(t, s, records.EpisodeScope{Name: "unit 4W", Unit: "4W", IDs: []string{"c", "a", "a", "nobody"}}, 3)
		if got := ids(have); got != "a b c" {
			t.Errorf("the step saw %q, want what is owed on the unit and the ids", got)
		}
		if have, _ = stepScope(t, s, unit, 3); ids(have) != "b" {
			t.Errorf("the step saw %q, want what is owed", ids(have))
		}

		owed := get(s.EpisodesOwed(t.Context(), "4W"))(t)
		if d := cmp.Diff([]records.Episode{episode("b", "4W", "open", 1)}, owed, inUTC); d != "" {
			t.Errorf("owed on the unit (-want +got):\n%s", d)
		}
		if got := ids(get(s.EpisodesOfStay(t.Context(), "A"))(t)); got != "a b c" {
			t.Errorf("of the stay: %q", got)
		}
		if d := cmp.Diff(episode("a", "4W", "done", 2), get(s.EpisodeByID(t.Context(), "a"))(t), inUTC); d != "" {
			t.Errorf("by id (-want +got):\n%s", d)
		}
		if _, err := s.EpisodeByID(t.Context(), "nobody"); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("an episode that there is not: %v", err)
		}
		if got := get(s.EpisodeUnits(t.Context()))(t); !cmp.Equal(got, []string{"4W", "7E"}) {
			t.Errorf("units that owe: %q", got)
		}

		events := get(s.EventsOfEpisodes(t.Context(), []string{"a", "nobody"}))(t)
		first, second := changed("a", "4W", "open", 1).Event, changed("a", "4W", "done", 2).Event
		if d := cmp.Diff(map[string][]records.EpisodeEvent{"a": {first, second}}, events, inUTC); d != "" {
			t.Errorf("events (-want +got):\n%s", d)
		}
		notices := get(s.Notices(t.Context(), hours(0), 10))(t)
		want := records.Notice{ID: "a.1", Event: first, Rule: "R-TEST", Figures: first.Figures}
		if len(notices) != 3 || !cmp.Equal(want, notices[0], inUTC) {
			t.Errorf("notices: %+v, want one for each opening, %+v first", notices, want)
		}
		if got := get(s.Notices(t.Context(), hours(1.5), 10))(t); len(got) != 0 {
			t.Errorf("notices from a later moment: %+v", got)
		}
		if got := get(s.Notices(t.Context(), hours(0), 2))(t); len(got) != 2 {
			t.Errorf("%d notices, want two", len(got))
		}
	})
}

// The tally of a unit needs what happened there, and what was owed there.
func TestEventsOfAUnit(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		scope := records.EpisodeScope{Name: "unit 4W", Unit: "4W"}
		stepScope(t, s, scope, 1, changed("a", "4W", "open", 1), changed("b", "4W", "open", 1), changed("c", "4W", "open", 1))
		stepScope(t, s, scope, 2, changed("a", "4W", "done", 2), changed("c", "7E", "open", 2))
		for _, c := range []struct {
			from, to float64
			want     string
		}{
			{0, 1, ""}, {0, 2, "a b c"}, {2, 3, "a b"}, {2.5, 3, "b"}, {1, 9, "a b c"},
		} {
			all := get(s.EventsOfUnit(t.Context(), "4W", hours(c.from), hours(c.to)))(t)
			var got []string
			for _, events := range all {
				got = append(got, events[0].EpisodeID)
				if events[0].N != 1 {
					t.Errorf("the history of %s begins with event %d", events[0].EpisodeID, events[0].N)
				}
			}
			if got := strings.Join(distinct(got), " "); got != c.want {
				t.Errorf("from %v to %v: %q, want %q", c.from, c.to, got, c.want)
			}
		}
	})
}

// A step that speaks of an earlier moment than the last one, by less than a clock that is
// wrong would make it, does nothing. (It was hours until steps of the future were noticed.)
func TestAnEarlierStepIsLate(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		scope := records.EpisodeScope{Name: "unit 4W", Unit: "4W"}
		for _, c := range []struct {
			at   float64
			want bool
		}{{2, true}, {2, true}, {2 - 4./60, false}, {3, true}, {3 - 5./60, false}} {
			if _, stepped := stepScope(t, s, scope, c.at); stepped != c.want {
				t.Errorf("a step at hour %v: %v, want %v", c.at, stepped, c.want)
			}
		}
		if _, stepped := stepScope(t, s, records.EpisodeScope{Name: "feeds"}, 1); !stepped {
			t.Error("the steps of one scope hold up another")
		}
	})
}

// A clock that ran ahead a day and was put right leaves a step of tomorrow. It is told of
// and passed over: on a file at once, on a server that several machines share once nobody
// has moved it on for two minutes.
func TestAStepOfTheFutureIsPassedOver(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		scope := records.EpisodeScope{Name: "unit 4W", Unit: "4W"}
		var told []StepAhead
		s.OnAhead = func(a StepAhead) { told = append(told, a) }
		stepScope(t, s, scope, 24)
		const minute = 1. / 60
		if s.Engine() == Postgres {
			for n, at := range []float64{1, 1 + minute} {
				if _, stepped := stepScope(t, s, scope, at); stepped || len(told) != n+1 || told[n].Passed {
					t.Fatalf("at once: stepped %v, told %+v", stepped, told)
				}
			}
			// Another machine moves it on: then it is this one's clock that is behind.
			if _, stepped := stepScope(t, s, scope, 24+minute); !stepped {
				t.Fatal("the other machine does not step")
			}
			if _, stepped := stepScope(t, s, scope, 1+3*minute); stepped {
				t.Fatal("a machine whose clock is behind takes over while another one steps")
			}
			told = nil
		}
		if _, stepped := stepScope(t, s, scope, 1+6*minute, changed("a", "4W", "open", 1)); !stepped || len(told) != 1 || !told[0].Passed ||
			told[0].By < 22*time.Hour || told[0].Scope != "unit 4W" {
			t.Fatalf("stepped %v, told %+v", stepped, told)
		}
		if _, stepped := stepScope(t, s, scope, 1+7*minute); !stepped || len(told) != 1 {
			t.Errorf("the next step: %v, told %+v", stepped, told)
		}
		if n := len(get(s.Notices(t.Context(), time.Time{}, 10))(t)); n != 1 {
			t.Errorf("%d notices, want 1", n)
		}
	})
}

// What a clock that ran ahead has planned to tell is told when the clock is right again,
// and a channel set up then tells.
func TestWhatTheFutureHasPlannedIsDue(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		must(t, s.SetChannels(t.Context(), []string{"webhook"}, hours(24)))
		stepScope(t, s, records.EpisodeScope{Name: "unit 4W", Unit: "4W"}, 2, changed("a", "4W", "open", 1))
		untold := get(s.NoticesUntold(t.Context(), "webhook", hours(2), 10))(t)
		if len(untold) != 1 {
			t.Fatalf("%d notices are to be told by a channel that was set up tomorrow", len(untold))
		}
		d := records.NoticeDelivery{
			ID: untold[0].ID, Channel: "webhook", State: records.DeliveryWaiting, MadeAt: hours(24), NextAt: hours(25),
		}
		must(t, s.AddDeliveries(t.Context(), []records.NoticeDelivery{d}, nil, hours(24)))
		due := get(s.DeliveriesDue(t.Context(), "webhook", hours(2), 10))(t)
		if len(due) != 1 {
			t.Fatalf("%d deliveries are due, want that of tomorrow", len(due))
		}
		due[0].MadeAt = hours(2)
		if !get(s.ClaimDelivery(t.Context(), due[0], hours(2.1)))(t) {
			t.Fatal("it cannot be claimed")
		}
		if due := get(s.DeliveriesDue(t.Context(), "webhook", hours(2.05), 10))(t); len(due) != 0 {
			t.Error("it is due again before its time")
		}
	})
}

// unwritable are figures that have no form in JSON.
type unwritable struct{ C chan int }

func (unwritable) OfRule() {}

// An episode of a rule that the program does not know is an error, and no empty one.
func TestAnEpisodeOfAnUnknownRuleIsNotRead(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		scope := records.EpisodeScope{Name: "unit 4W", Unit: "4W"}
		stepScope(t, s, scope, 1, changed("a", "4W", "open", 1))
		must(t, s.SetChannels(t.Context(), []string{"webhook"}, hours(0)))
		s.EpisodeRules = nil
		_, byID := s.EpisodeByID(t.Context(), "a")
		_, owed := s.EpisodesOwed(t.Context(), "4W")
		_, events := s.EventsOfEpisodes(t.Context(), []string{"a"})
		_, untold := s.NoticesUntold(t.Context(), "webhook", hours(2), 10)
		_, step := s.StepEpisodes(t.Context(), scope, hours(2), func([]records.Episode) []records.EpisodeChange {
			t.Error("the step is made")
			return nil
		})
		for name, err := range map[string]error{"by id": byID, "owed": owed, "events": events, "untold": untold, "step": step} {
			if err == nil || !strings.Contains(err.Error(), "was it written by a newer program?") {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
}

// A step is written whole or not at all.
func TestAStepThatFailsLeavesNothing(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		scope := records.EpisodeScope{Name: "unit 4W", Unit: "4W"}
		broken := changed("b", "4W", "open", 1)
		broken.Event.Figures = unwritable{}
		_, err := s.StepEpisodes(t.Context(), scope, hours(5), func([]records.Episode) []records.EpisodeChange {
			return []records.EpisodeChange{changed("a", "4W", "open", 1), broken}
		})
		if err == nil {
			t.Error("figures that cannot be written are no error")
		}
		_, err = s.StepEpisodes(t.Context(), scope, hours(5), func([]records.Episode) []records.EpisodeChange {
			return []records.EpisodeChange{changed("a", "4W", "open", 1), changed("b", "4W", "taken", 7)} // there is no b
		})
		if clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("a change of what is not there: %v", err)
		}
		for _, table := range []string{"episodes", "episode_events", "notices", "episode_steps"} {
			if n := count(t, s, table); n != 0 {
				t.Errorf("%d rows are left in %s", n, table)
			}
		}
	})
}

func TestEventsAreNeverChanged(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		stepScope(t, s, records.EpisodeScope{Name: "unit 4W", Unit: "4W"}, 1, changed("a", "4W", "open", 1))
		statements := []string{"UPDATE episode_events SET who = 'mb'", "DELETE FROM episode_events"}
		if s.engine == Postgres {
			statements = append(statements, "TRUNCATE episode_events")
		}
		for _, statement := range statements {
			err := s.write.Exec(statement).Error
			if err == nil || !strings.Contains(err.Error(), "kept as they are") {
				t.Errorf("%s: %v", statement, err)
			}
		}
		if count(t, s, "episode_events") != 1 {
			t.Error("the event is gone")
		}
	})
}

// changeOne changes the one episode of an id, of those of stay A.
func changeOne(t *testing.T, s *Store, id string, change func(records.Episode) (records.EpisodeChange, error)) error {
	t.Helper()
	return s.ChangeEpisodes(t.Context(), "A", id, func(all []records.Episode) ([]records.EpisodeChange, error) {
		n := slices.IndexFunc(all, func(e records.Episode) bool { return e.ID == id })
		if n < 0 {
			return nil, clinical.Errorf(clinical.NotFound, "none")
		}
		c, err := change(all[n])
		return []records.EpisodeChange{c}, err
	})
}

// Of several episodes all are changed, or none.
func TestChangingEpisodesOfAStay(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		stepScope(t, s, records.EpisodeScope{Name: "unit 4W", Unit: "4W"}, 1, changed("a", "4W", "open", 1), changed("b", "4W", "open", 1))
		must(t, changeOne(t, s, "a", func(e records.Episode) (records.EpisodeChange, error) {
			if d := cmp.Diff(episode("a", "4W", "open", 1), e, inUTC); d != "" {
				t.Errorf("what is changed (-want +got):\n%s", d)
			}
			return changed("a", "4W", "taken", 2), nil
		}))
		if d := cmp.Diff(episode("a", "4W", "taken", 2), get(s.EpisodeByID(t.Context(), "a"))(t), inUTC); d != "" {
			t.Errorf("wanted and stored differ:\n%s", d)
		}
		refused := clinical.Errorf(clinical.Conflict, "taken already")
		err := changeOne(t, s, "a", func(records.Episode) (records.EpisodeChange, error) { return records.EpisodeChange{}, refused })
		if !errors.Is(err, refused) || count(t, s, "episode_events") != 3 {
			t.Errorf("a refused change: %v", err)
		}
		err = s.ChangeEpisodes(t.Context(), "A", "a", func(all []records.Episode) ([]records.EpisodeChange, error) {
			if len(all) != 2 {
				t.Errorf("%d episodes of the stay", len(all))
			}
			return []records.EpisodeChange{changed("a", "4W", "open", 3), changed("b", "4W", "open", 9)}, nil // b has moved on
		})
		if clinical.CodeOf(err) != clinical.Conflict || get(s.EpisodeByID(t.Context(), "a"))(t).Events != 2 {
			t.Errorf("half of a change was kept: %v", err)
		}
		among := get(s.EpisodesAmong(t.Context(), []string{"a", "nobody", "b", "a"}))(t)
		if len(among) != 2 || among[0].ID != "a" || among[1].ID != "b" {
			t.Errorf("among them are %v", among)
		}
	})
}

// Several programs step the same units, and people act, all at once: each episode
// is opened and told once, and no event is lost or doubled.
func TestStepsTogether(t *testing.T) {
	forEachEngine(t, func(t *testing.T, one *Store) {
		two, three := openTarget(t, reopen(t, one)), openTarget(t, reopen(t, one))
		const rounds, many = 12, 20
		var clock atomic.Int64
		var acted atomic.Int64
		var wg sync.WaitGroup
		for _, s := range []*Store{one, two, three, one} {
			for _, unit := range []string{"4W", "7E"} {
				wg.Go(func() {
					for range rounds {
						at := noon.Add(time.Duration(clock.Add(1)) * time.Second)
						var want []string
						for n := range many { // half of the ids are wanted by both units
							want = append(want, fmt.Sprintf("e%02d", n), fmt.Sprintf("%s-%02d", unit, n))
						}
						_, err := s.StepEpisodes(t.Context(), records.EpisodeScope{Name: "unit " + unit, Unit: unit, IDs: want}, at, func(have []records.Episode) []records.EpisodeChange {
							return openMissing(want, have, unit)
						})
						if err != nil {
							t.Errorf("step: %v", err)
						}
					}
				})
			}
			wg.Go(func() {
				for n := range rounds {
					err := changeOne(t, s, fmt.Sprintf("e%02d", n%3), func(e records.Episode) (records.EpisodeChange, error) {
						return changed(e.ID, e.Unit, "open", e.Events+1), nil
					})
					switch clinical.CodeOf(err) {
					case "":
						acted.Add(1)
					case clinical.NotFound: // not opened yet
					default:
						t.Errorf("act: %v", err)
					}
				}
			})
		}
		wg.Wait()
		if n, want := count(t, one, "episodes"), 3*many; n != want {
			t.Errorf("%d episodes, want %d", n, want)
		}
		if n, want := count(t, one, "notices"), 3*many; n != want {
			t.Errorf("%d notices, want one for each episode, %d", n, want)
		}
		if n, want := count(t, one, "episode_events"), 3*many+int(acted.Load()); n != want {
			t.Errorf("%d events, want %d", n, want)
		}
		broken := list(t, one, `SELECT e.id FROM episodes e WHERE e.events <> (SELECT count(*) FROM episode_events v WHERE v.episode_id = e.id)`)
		if len(broken) > 0 {
			t.Errorf("episodes that do not count their events: %q", broken)
		}
	})
}

// openMissing opens what is wanted and not there.
func openMissing(want []string, have []records.Episode, unit string) (out []records.EpisodeChange) {
	known := map[string]bool{}
	for _, e := range have {
		known[e.ID] = true
	}
	for _, id := range want {
		if !known[id] {
			out = append(out, changed(id, unit, "open", 1))
		}
	}
	return out
}

// What a step reads does not grow with what is done: the searches go by the indexes.
func TestAStepSearchesByIndex(t *testing.T) {
	s := openStore(t, SQLite)
	for query, want := range map[string]string{
		"SELECT * FROM episodes WHERE (unit = '4W' AND " + isOwed + ") OR id IN ('a', 'b') ORDER BY id": "MULTI-INDEX OR",
		"SELECT * FROM episodes WHERE unit = '4W' AND " + isOwed + " ORDER BY opened_at, id":            "USING INDEX episodes_owed",
		"SELECT DISTINCT unit FROM episodes WHERE " + isOwed + " ORDER BY unit":                         "episodes_owed",
	} {
		rows, err := s.read.Raw("EXPLAIN QUERY PLAN " + query).Rows()
		must(t, err)
		plan := ""
		for rows.Next() {
			var id, parent, unused int
			var detail string
			must(t, rows.Scan(&id, &parent, &unused, &detail))
			plan += detail + "\n"
		}
		must(t, rows.Close())
		if !strings.Contains(plan, want) {
			t.Errorf("%s\nis searched by\n%s, want %s", query, plan, want)
		}
	}
}
