package app

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/demo/deeds"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb"
	"plumbline/internal/testdb/teststore"
	"plumbline/seed"
)

// testProcess is a process with a clock of its own, on a database of its own.
type testProcess struct {
	process
	dir string
}

func newProcess(t *testing.T, database string, now time.Time) testProcess {
	t.Helper()
	dir := t.TempDir()
	if database == "" {
		database = teststore.EmptyFile(t)
	}
	env := map[string]string{"PLUMBLINE_DATABASE": database}
	return testProcess{process{
		env: func(name string) string { return env[name] }, stdout: io.Discard, stderr: io.Discard,
		clock: func() time.Time { return now },
	}, dir}
}

// openSite opens a site with the demo unit loaded as it is at now.
func openSite(t *testing.T, database string, now time.Time) *site {
	t.Helper()
	p := newProcess(t, database, now)
	s, _, err := p.parse("test", nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	site, err := p.open(context.Background(), s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(site.close)
	feed := filepath.Join(p.dir, "feed")
	if err := writeDemoFeed(feed, now); err != nil {
		t.Fatal(err)
	}
	if _, err := site.loader.Load(context.Background(), []string{feed}, "test"); err != nil {
		t.Fatal(err)
	}
	checkUnits(t, site)
	return site
}

// checkUnits says that the feeds of the demo's units were checked.
func checkUnits(t *testing.T, s *site) {
	t.Helper()
	if err := s.checkDemoUnits(t.Context(), s.loader.Clock); err != nil {
		t.Fatal(err)
	}
}

func eachEngine(t *testing.T, test func(t *testing.T, database string)) {
	t.Run("sqlite", func(t *testing.T) { test(t, "") })
	t.Run("postgres", func(t *testing.T) { test(t, postgres(t)) })
}

// postgres is a database of PostgreSQL that was migrated once for all tests.
func postgres(t *testing.T) string {
	t.Helper()
	return testdb.PostgresFrom(t, "app", func(url string) error {
		s, err := store.Open(context.Background(), url, nil)
		if err != nil {
			return err
		}
		return errors.Join(s.Migrate(context.Background()), s.Close())
	})
}

func verdicts(t *testing.T, s *site, at time.Time) map[string]demo.Verdict {
	t.Helper()
	out := map[string]demo.Verdict{}
	for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
		list, err := s.service.Live(context.Background(), unit, at)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range list {
			out[a.Digest.StayID] = demo.Verdict{Tier: a.Tier, Rule: a.DecidedBy()}
		}
	}
	return out
}

// Each story of the demo unit ends in the tier and rule that it was written
// for, at its moment and three hours on, on both engines, wherever "now" lies.
func TestEachStoryEndsInItsTierAndRule(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		now := time.Date(2027, 3, 28, 4, 17, 0, 0, time.UTC)
		s := openSite(t, database, now)
		for _, at := range []time.Time{now, now.Add(3 * time.Hour)} {
			for _, wrong := range demo.CheckStories(verdicts(t, s, at)) {
				t.Errorf("at %s: %s", at, wrong)
			}
		}
	})
}

// The recheck that each story speaks of is the one that is owed.
func TestEachStoryOwesItsRecheck(t *testing.T) {
	s := openSite(t, "", demo.AnchorTime())
	rechecks := map[string]alerts.Recheck{}
	for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
		list, err := s.service.List(context.Background(), unit, demo.AnchorTime())
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range list {
			rechecks[a.Digest.StayID] = a.Recheck
		}
	}
	for _, story := range demo.Stories() {
		r, ok := rechecks[story.StayID]
		if !ok {
			continue // no longer on the list
		}
		if got := strings.TrimSpace(r.State + " " + r.Rule); got != story.Recheck {
			t.Errorf("%s: recheck %q, the story says %q", story.Name, got, story.Recheck)
		}
	}
}

// The live list equals assess --as-of the same minute, on both engines, while
// time goes on and a correction comes in.
func TestLiveListEqualsAssessAsOfTheSameMinute(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		check := func(at time.Time) {
			t.Helper()
			live, err := s.service.Live(context.Background(), demo.MainUnit, at)
			if err != nil {
				t.Fatal(err)
			}
			known, err := s.service.List(context.Background(), demo.MainUnit, at)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(document(t, s, known, at), document(t, s, live, at)); d != "" {
				t.Errorf("at %s: as of (-) and live (+) differ:\n%s", at, d)
			}
		}
		for _, minutes := range []int{0, 1, 30, 59, 180, 600, 3000} {
			check(now.Add(time.Duration(minutes) * time.Minute))
		}
		path := filepath.Join(t.TempDir(), "falls-late.csv")
		row := "source_id,stay_id,fell_at,recorded_at,injury\nF-LATE,S130," +
			now.Add(-time.Hour).Format(time.RFC3339) + "," + now.Add(-time.Minute).Format(time.RFC3339) + ",none\n"
		if err := os.WriteFile(path, []byte(row), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := s.loader.Load(context.Background(), []string{path}, "test"); err != nil {
			t.Fatal(err)
		}
		check(now.Add(3001 * time.Minute))
		check(now)
		list, err := s.service.Live(context.Background(), demo.MainUnit, now)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range list {
			if a.Digest.StayID == "S130" && a.DecidedBy() != alerts.TFall {
				t.Errorf("the late fall did not reach the live list: decided by %q", a.DecidedBy())
			}
		}
	})
}

// Both engines give the same documents for every unit and stay.
func TestBothEnginesAnswerAlike(t *testing.T) {
	now := demo.AnchorTime()
	one, two := openSite(t, "", now), openSite(t, postgres(t), now)
	for _, at := range []time.Time{now, now.Add(-30 * time.Hour), now.Add(-8 * 24 * time.Hour)} {
		for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
			a, errA := one.service.List(context.Background(), unit, at)
			b, errB := two.service.List(context.Background(), unit, at)
			if errA != nil || errB != nil {
				t.Fatal(errA, errB)
			}
			if d := cmp.Diff(document(t, one, a, at), document(t, two, b, at)); d != "" {
				t.Errorf("unit %s at %s: SQLite (-) and PostgreSQL (+) differ:\n%s", unit, at, d)
			}
		}
	}
}

func TestDemoFilesAreTheSeed(t *testing.T) {
	files, err := seed.Files()
	if err != nil {
		t.Fatal(err)
	}
	if len(files) == 0 {
		t.Fatal("the seed is empty")
	}
	for _, f := range files {
		kind := clinical.Kind(strings.FieldsFunc(filepath.Base(f.Name), func(r rune) bool { return strings.ContainsRune("-_.", r) })[0])
		found := false
		for _, k := range clinical.Kinds {
			found = found || k == kind
		}
		if !found {
			t.Errorf("%s is of no known kind", f.Name)
		}
	}
}

// What the people of the demo have done shows where they did it, and moves no story out of
// its tier, then and three hours on.
func TestTheDeedsOfTheDemo(t *testing.T) {
	for _, hour := range []int{4, 12, 20} { // the demo may start at any time of the day
		theDeedsAt(t, time.Date(2027, 3, 28, hour, 17, 0, 0, time.UTC))
	}
}

func theDeedsAt(t *testing.T, now time.Time) {
	t.Helper()
	s := openSite(t, "", now)
	if err := deeds.Do(t.Context(), s.demoSite(), now); err != nil {
		t.Fatal(err)
	}
	for _, at := range []time.Time{now, now.Add(3 * time.Hour)} {
		for _, wrong := range demo.CheckStories(verdicts(t, s, at)) {
			t.Errorf("at %s: %s", at, wrong)
		}
	}
	want := map[string]records.EpisodeState{
		"S101": episodes.Assigned, "S102": episodes.Told, "S120": episodes.Taken, "S123": episodes.Deferred,
	}
	for _, d := range demo.Deeds() {
		all, err := s.care().Stay(t.Context(), d.StayID)
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range all {
			if string(h.Episode.Kind) == d.Kind && h.Episode.State != want[d.StayID] {
				t.Errorf("%s: %s is %s, want %s", d.StayID, d.Kind, h.Episode.State, want[d.StayID])
			}
		}
	}
	list, err := s.service.Live(t.Context(), demo.MainUnit, now)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range list {
		if a.Digest.StayID == "S133" && len(a.Digest.Unrecognised) > 0 {
			t.Errorf("the mixture that was mapped is not recognised: %v", a.Digest.Unrecognised)
		}
	}
}
