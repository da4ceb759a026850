package app

import (
	"context"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	room "plumbline/internal/web/bedside"
)

// A set sent from the bedside is judged like one of a feed, ends what it answers at
// once, and is stored once.
func TestASetFromTheBedsideEndsWhatItAnswers(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		ctx, now := context.Background(), demo.AnchorTime()
		s := openSite(t, database, now)
		stepAll(t, s, now)
		state := func() records.EpisodeState {
			t.Helper()
			list, err := s.care().Stay(ctx, "S101")
			if err != nil {
				t.Fatal(err)
			}
			for _, h := range list {
				if h.Episode.Kind == episodes.FallWithoutSet {
					return h.Episode.State
				}
			}
			t.Fatal("the fall has no episode")
			return ""
		}
		open := state()
		p := func(v float64) *float64 { return &v }
		taken := func(min int, systolic float64, position clinical.Position, minutes float64) clinical.Vitals {
			return clinical.Vitals{TakenAt: now.Add(time.Duration(min) * time.Minute), Systolic: p(systolic), Diastolic: p(70), HeartRate: p(70),
				Position: position, Limb: "left arm", MinutesInPosition: p(minutes), SetID: "A"}
		}
		k := bedside.Kept{Who: "nurse", At: now.Add(5*time.Minute + 123456789*time.Nanosecond), Set: bedside.Set{
			ID: "A", StayID: "S101", Mobility: bedside.MayStand, Limb: "left arm", Restricted: []string{"right arm"}, Because: "fistula",
			Readings: []bedside.Reading{
				{Name: bedside.Base, Vitals: taken(1, 130, clinical.Lying, 5)}, {Name: bedside.First, Vitals: taken(2, 128, clinical.Standing, 1)}, {Name: bedside.Second, Vitals: taken(4, 127, clinical.Standing, 3)},
			},
		}}
		sets := room.Keeper{Loader: s.loader, Messages: s.store, Episodes: s.care(), Log: s.log}
		first, err := sets.Record(ctx, "4W", k)
		if err != nil {
			t.Fatal(err)
		}
		if after := state(); open == episodes.Done || after != episodes.Done {
			t.Errorf("the episode of the fall was %s and is %s", open, after)
		}
		view, err := s.service.Stay(ctx, "S101", k.At)
		if err != nil {
			t.Fatal(err)
		}
		set := view.Assessment.Digest.LatestSet()
		if set == nil || set.SetID != "A" || set.Finding != "negative" || set.Quality != "complete" {
			t.Errorf("the latest set is %+v", set)
		}
		again := k
		again.At, again.Who = k.At.Add(time.Minute), "somebody else"
		second, err := sets.Record(ctx, "4W", again)
		if d := cmp.Diff(first, second); err != nil || d != "" {
			t.Errorf("sent again: %v\n%s", err, d)
		}
		kept, err := sets.Kept(ctx, "S101", "A")
		if d := cmp.Diff(k.Set, kept.Set); err != nil || d != "" || kept.Who != "nurse" || !kept.At.Equal(k.At.Truncate(time.Microsecond)) {
			t.Errorf("kept: %v %+v\n%s", err, kept, d)
		}
		other := k
		other.Limb = "right arm"
		if _, err := sets.Record(ctx, "4W", other); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("other content: %v", err)
		}
	})
}

// The whole way over HTTP, from a nurse's sign-in to the facts that a command prints.
func TestServeTakesASet(t *testing.T) {
	dir := t.TempDir()
	database := filepath.Join(dir, "test.db")
	now := time.Now().UTC()
	writeOld(t, filepath.Join(dir, "stays.csv"), "stay_id,patient_id,unit,admitted_at\nS1,P1,4W,"+now.Add(-time.Hour).Format(time.RFC3339)+"\n")
	runCommand(t, database, "load", filepath.Join(dir, "stays.csv"))
	password := addUser(t, database, "nurse", "bedside-nurse")
	site, stop := start(t, []string{"serve", "--listen", "127.0.0.1:0"}, map[string]string{"PLUMBLINE_DATABASE": database})
	client := signIn(t, site, "nurse", password)
	at := func(min int) string { return now.Add(time.Duration(min) * time.Minute).Format(time.RFC3339) }
	id := bedside.NewID()
	form := url.Values{
		"set": {id}, "mobility": {"stand"}, "no_holds": {"yes"}, "limb": {"left arm"},
		"base_at": {at(-9)}, "base_minutes": {"6"}, "base_systolic": {"150"}, "base_diastolic": {"80"}, "base_pulse": {"64"},
		"stopped": {"yes"}, "stop_at": {at(-8)}, "stop_minutes": {"0.5"}, "symptom": {"faintness"},
	}
	for range 2 {
		r, err := client.PostForm(site+"/stays/S1/new-set", form)
		if err != nil {
			t.Fatal(err)
		}
		_ = r.Body.Close()
		if r.StatusCode != http.StatusOK || r.Request.URL.RawQuery != "sent="+id {
			t.Fatalf("sent = %d at %s", r.StatusCode, r.Request.URL)
		}
	}
	if code := stop(); code != 0 {
		t.Errorf("exit %d", code)
	}
	sets := runCommand(t, database, "sets", "--stay", "S1", "--format", "json")
	for _, want := range []string{`"set_id": "` + id, `"finding": "positive"`, `"symptom_limited"`, `"stopped_early": true`, `"faintness"`} {
		if !strings.Contains(sets, want) {
			t.Errorf("the sets do not hold %s: %s", want, sets)
		}
	}
	if n := strings.Count(runCommand(t, database, "facts", "--stay", "S1", "--format", "json"), `"bedside-`+id); n != 2 {
		t.Errorf("%d facts of the set, want 2", n)
	}
	if out := runCommand(t, database, "audit", "export", "--format", "json"); !strings.Contains(out, "POST /stays/:stay/new-set") {
		t.Error("the audit does not hold the set")
	}
}

// The whole way out: from the form to the record, by a server that runs.
func TestServeSendsASetToTheRecord(t *testing.T) {
	dir := t.TempDir()
	database := filepath.Join(dir, "test.db")
	now := time.Now().UTC()
	writeOld(t, filepath.Join(dir, "stays.csv"), "stay_id,patient_id,unit,admitted_at\nS1,P1,4W,"+now.Add(-time.Hour).Format(time.RFC3339)+"\n")
	runCommand(t, database, "load", filepath.Join(dir, "stays.csv"))
	password := addUser(t, database, "nurse", "bedside-nurse")
	came := make(chan string, 10)
	record := newRecord(t, func(_, text string) (string, bool) {
		came <- text
		return "AA", false
	})
	site, stop := start(t, []string{"serve", "--listen", "127.0.0.1:0"}, map[string]string{
		"PLUMBLINE_DATABASE": database, "PLUMBLINE_MLLP_SEND": record.address, "PLUMBLINE_SEND_FACILITY": "WEST",
	})
	client := signIn(t, site, "nurse", password)
	id := bedside.NewID()
	form := url.Values{
		"set": {id}, "plain": {"yes"}, "limb": {"left arm"}, "base_at": {now.Add(-time.Minute).Format(time.RFC3339)},
		"base_systolic": {"150"}, "base_diastolic": {"80"}, "base_pulse": {"64"},
	}
	r, err := client.PostForm(site+"/stays/S1/new-set", form)
	if err != nil {
		t.Fatal(err)
	}
	_ = r.Body.Close()
	select {
	case text := <-came:
		if !strings.Contains(text, "|PLUMBLINE|WEST|") || !strings.Contains(text, "bedside-"+id+"-base^^") || !strings.Contains(text, "LN||150|") {
			t.Errorf("the record was sent %s", strings.ReplaceAll(text, "\r", "\n"))
		}
	case <-time.After(time.Minute):
		t.Error("nothing came to the record")
	}
	if code := stop(); code != 0 {
		t.Errorf("exit %d", code)
	}
	if said := runCommand(t, database, "outbox", "list"); !strings.Contains(said, "has taken everything") {
		t.Errorf("outbox list: %s", said)
	}
}
