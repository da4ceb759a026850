package store

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// state is all that the store answers from, apart from revisions and moments of
// loading: what must not depend on how the rows came.
type state struct {
	Facts    []string
	Versions map[string][]clinical.Version
	Waiting  []records.RowRef
	Seen     []string
	Spans    []string
	Units    []string
	Held     []records.Held
}

func stateOf(tb testing.TB, s *Store) state {
	tb.Helper()
	ctx := tb.Context()
	st := state{
		Facts: list(tb, s, `SELECT kind || ' ' || source_id || ' ' || stay_id || ' ' || CAST(recorded_at AS TEXT) || ' ' || status || ' ' ||
			coalesce(CAST(at AS TEXT), 'null') || ' ' || coalesce(body, 'null') || ' ' || feed || ' ' || file || ' ' || CAST(line AS TEXT)
			FROM fact_versions ORDER BY kind, source_id, recorded_at, hash`),
		Seen: list(tb, s, `SELECT stay_id || CASE WHEN seen THEN ' seen' ELSE ' unseen' END FROM stay_heads h
			WHERE seen OR EXISTS (SELECT 1 FROM fact_versions v WHERE v.stay_id = h.stay_id) ORDER BY stay_id`), // a head outlives its facts
		Spans:   list(tb, s, "SELECT stay_id || ' ' || unit || ' ' || CAST(starts_at AS TEXT) || ' ' || coalesce(CAST(ends_at AS TEXT), 'open') FROM stay_spans ORDER BY stay_id, unit"),
		Waiting: get(s.Waiting(ctx))(tb),
		Units:   get(s.Units(ctx))(tb),
		Held:    get(s.AllHeld(ctx))(tb),
	}
	for n := range st.Held {
		st.Held[n].ID = 0
	}
	st.Versions = get(s.Versions(ctx, list(tb, s, "SELECT stay_id FROM stay_heads")))(tb)
	for _, versions := range st.Versions {
		for n := range versions {
			versions[n].Reading = 0 // tells how the rows came
		}
	}
	return st
}

func list(tb testing.TB, s *Store, query string, values ...any) []string {
	tb.Helper()
	return get(s.texts(tb.Context(), query, values...))(tb)
}

var tables = []string{"fact_versions", "stay_heads", "stay_spans", "loads", "repeated_rows", "feed_files", "quarantined_rows", "stay_digests", "policies",
	"account_grants", "account_identities", "sessions", "accounts", "server_keys", "site_codes", "api_token_grants", "api_tokens",
	"episodes", "episode_events", "notices", "episode_steps", "deliveries", "delivery_channels", "policy_versions",
	"dose_review_steps", "dose_reviews", "given_beds", "handover_notes", "screens",
	"feed_kinds", "row_fixes",
	"feed_messages", "skipped_rows", "seen_codes", "stay_patients", "waiting_for_patient", "write_checks", "unmapped_rows", "held_reads", "unit_changes",
	"assignments", "unit_checks", "stay_tallies", "stay_days", "stay_presences",
	"feed_parts", "feed_part_topics", "feed_topic_uses", "feed_composed", "feed_topics_due", "repeated_parts", "held_dropped", "leases", "outbox", "installation",
}

// The audit is not wiped: it is only ever added to.
var keptTables = []string{"audit_entries", "audit_head"}

// wipe makes a store as good as new.
func wipe(tb testing.TB, s *Store) {
	tb.Helper()
	pool, err := s.write.DB()
	must(tb, err)
	_, err = pool.ExecContext(tb.Context(), "DELETE FROM "+strings.Join(tables, "; DELETE FROM ")) // one way there and back
	must(tb, err)
}

func count(tb testing.TB, s *Store, table string) (n int) {
	tb.Helper()
	must(tb, s.reading(tb.Context()).Raw("SELECT count(*) FROM "+table).Row().Scan(&n))
	return n
}

// chunksOf makes chunks small, so that a test crosses from one to the next.
func chunksOf(n int) (restore func()) {
	old := chunkRows
	chunkRows = n
	return func() { chunkRows = old }
}

// modelOf is what the rules of FinishLoad say of rows, computed in the plainest
// way: which versions count, and which of them wait.
func modelOf(rows []clinical.Version) (counting, waiting []string) {
	facts := map[string][]clinical.Version{}
	for _, v := range rows {
		key := string(v.Kind) + " " + v.SourceID
		facts[key] = append(facts[key], v)
	}
	last := map[string]clinical.Version{}
	for key, versions := range facts {
		slices.SortStableFunc(versions, func(a, b clinical.Version) int {
			if a.Before(b) {
				return -1
			}
			return 1
		})
		for n := range versions[1:] {
			if v, w := &versions[n+1], versions[n]; v.Removed() && v.StayID == "" {
				v.StayID, v.PatientID, v.Body = w.StayID, w.PatientID, w.Body
			}
		}
		last[key] = versions[len(versions)-1]
	}
	for key, v := range last {
		at := fmt.Sprintf("%s %s:%d", key, v.File, v.Line)
		counting = append(counting, at)
		_, seen := last["stays "+v.StayID]
		if v.StayID == "" && v.PatientID != "" && !covered(last, v) {
			waiting = append(waiting, at+" ")
		}
		if v.Kind != clinical.KindStay && v.StayID != "" && !seen {
			waiting = append(waiting, at+" "+v.StayID)
		}
	}
	slices.Sort(counting)
	slices.Sort(waiting)
	return counting, waiting
}

// covered: some stay of the patient, as it is now, covers the time of the version.
func covered(last map[string]clinical.Version, v clinical.Version) bool {
	t := v.RecordedAt
	if v.Body != nil {
		t = v.Body.OwnTime()
	}
	for _, w := range last {
		b, ok := w.Body.(clinical.Stay)
		if ok && !w.Removed() && b.PatientID == v.PatientID && !t.Before(b.AdmittedAt) && (b.DischargedAt == nil || t.Before(*b.DischargedAt)) {
			return true
		}
	}
	return false
}
