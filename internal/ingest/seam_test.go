package ingest

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

// onEachEngine gives a test a desk that reads the ward's format beside CSV, and the table
// of the ward's words.
func onEachEngine(t *testing.T, test func(t *testing.T, d desk, words map[string]clinical.Position)) {
	for engine, open := range map[string]func(*testing.T) *store.Store{
		store.SQLite:   func(t *testing.T) *store.Store { return teststore.Empty(t) },
		store.Postgres: func(t *testing.T) *store.Store { return teststore.EmptyOnPostgres(t) },
	} {
		t.Run(engine, func(t *testing.T) {
			d := deskOf(open(t))
			words := map[string]clinical.Position{"bed": clinical.Lying}
			d.Readers = append([]feed.Reader{ward{words}}, d.Readers...)
			test(t, d, words)
		})
	}
}

func wardText(lines ...string) string { return "#ward\n" + strings.Join(lines, "\n") + "\n" }

// counts tells the ends of a load in their order in docs/feeds.md.
func counts(c records.Counts) string {
	return fmt.Sprintf("%d rows: %d accepted %d unchanged %d superseded %d waiting %d skipped %d quarantined",
		c.Rows, c.Accepted, c.Unchanged, c.Superseded, c.Waiting, c.Skipped, c.Held)
}

func (d desk) kinds(t *testing.T) (out []string) {
	t.Helper()
	state, err := d.db.Feeds(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range state.Kinds {
		out = append(out, fmt.Sprintf("%s %s: %d rows %d accepted %d unchanged %d waiting %d skipped %d quarantined, now %d",
			k.Feed, k.Kind, k.Rows, k.Accepted, k.Unchanged, k.Waiting, k.Skipped, k.Held, k.HeldNow))
	}
	return out
}

// expect compares what a step left with what docs/feeds.md says, counted by hand.
func expect(t *testing.T, step string, got, want any) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", step, diff)
	}
}

// A second format goes through the feed folder, the quarantine, a retry after the site's
// table was put right, a row put right by hand, and the file grown and compressed.
func TestASecondFormatGoesAllTheWay(t *testing.T) {
	onEachEngine(t, func(t *testing.T, d desk, words map[string]clinical.Position) {
		dir, clock := t.TempDir(), now
		watcher := &Watcher{Loader: d.Loader, Dir: dir, Settle: time.Second, Clock: func() time.Time { return clock }}
		poll := func(name, text string) Summary {
			t.Helper()
			path := write(t, dir, name, text)
			clock = clock.Add(time.Minute)
			if err := os.Chtimes(path, clock.Add(-time.Hour), clock.Add(-time.Hour)); err != nil {
				t.Fatal(err)
			}
			for range 2 { // at the second look it has settled
				if err := watcher.Poll(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			return watcher.Last().Summary
		}
		lines := []string{
			"B|v1|S|" + wardTime(1) + "|142|bed",    // 2: waits for its stay
			"B|v2|S|" + wardTime(2) + "|138|chair",  // 3: the table lacks the word
			"W|w1|S|" + wardTime(3) + "|7o",         // 4: no number
			"N|slept well",                          // 5: skipped
			"W|w1",                                  // 6: too few fields
			"B|v1|S|" + wardTime(1.5) + "|141|bed",  // 7: a later version of v1
			"B|v4|S|" + wardTime(4) + "|-1|unknown", // 8: the table lacks the word
		}
		other := write(t, dir, "weights-1.csv", weights+"w1,S,"+wardTime(5)+",70,\n")
		if err := os.Chtimes(other, now.Add(-time.Hour), now.Add(-time.Hour)); err != nil {
			t.Fatal(err)
		}
		s := poll("shift.txt", wardText(lines...))
		expect(t, "the first look", counts(s.Counts), "8 rows: 0 accepted 0 unchanged 1 superseded 2 waiting 1 skipped 4 quarantined")
		expect(t, "the problems", problems(s), strings.Join([]string{
			"shift.txt:3 v2 the site's table has no position chair",
			"shift.txt:4 w1 correction not applied: strconv.ParseFloat: parsing \"7o\": invalid syntax", // the CSV brought a w1
			"shift.txt:6  has too few fields",
			"shift.txt:7 v1 waiting: stay S has not been seen yet",
			"shift.txt:8 v4 the site's table has no position unknown",
			"weights-1.csv:2 w1 waiting: stay S has not been seen yet",
		}, "\n"))
		expect(t, "the kinds", d.kinds(t), []string{
			"csv weights: 1 rows 0 accepted 0 unchanged 1 waiting 0 skipped 0 quarantined, now 0",
			"ward : 2 rows 0 accepted 0 unchanged 0 waiting 1 skipped 1 quarantined, now 1",
			"ward vitals: 4 rows 0 accepted 0 unchanged 1 waiting 0 skipped 2 quarantined, now 2",
			"ward weights: 1 rows 0 accepted 0 unchanged 0 waiting 0 skipped 1 quarantined, now 1",
		})
		held := d.held(t)
		if len(held) != 4 || string(held[0].Original) != lines[1] || held[0].Feed != wardFeed || len(held[0].Context) != 0 {
			t.Fatalf("held: %+v", held)
		}

		words["chair"] = clinical.Sitting
		again, err := d.Retry(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		expect(t, "read again by a better table", counts(again.Counts), "4 rows: 0 accepted 0 unchanged 0 superseded 1 waiting 0 skipped 3 quarantined")

		held = d.held(t)
		if _, reason, err := d.Fix(t.Context(), held[0].ID, nil, []byte("W|w1|S|"+wardTime(3)+"|heavy"), "root"); err != nil || reason == "" {
			t.Errorf("a fix that does not read: %q, %v", reason, err)
		}
		if _, reason, err := d.Fix(t.Context(), held[0].ID, nil, []byte("W|w1|S|"+wardTime(3)+"|70.5"), "root"); err != nil || reason != "" {
			t.Errorf("a fix: %q, %v", reason, err)
		}
		// A row may turn out to be of no use.
		if _, reason, err := d.Fix(t.Context(), held[1].ID, nil, []byte("N|was a note"), "root"); err != nil || reason != "" {
			t.Errorf("a fix that says nothing: %q, %v", reason, err)
		}
		expect(t, "left in quarantine", len(d.held(t)), 1)

		// The file grows, with the broken rows as they were: lower case is the same row.
		lines[2] = strings.ToLower(lines[2][:1]) + lines[2][1:]
		lines = append([]string{"S|S|P|4W|" + wardTime(0)}, lines...)
		s = poll("shift.txt", wardText(lines...))
		expect(t, "the file grown", counts(s.Counts), "8 rows: 1 accepted 4 unchanged 0 superseded 0 waiting 2 skipped 1 quarantined")
		if v := last(d.versions(t), "w1"); v.Feed != "csv" {
			t.Errorf("the CSV's later weight no longer counts: %+v", v)
		}

		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		_, _ = z.Write([]byte(wardText(lines[0], lines[1])))
		_ = z.Close()
		s = poll("weights-2.csv", b.String()) // its content tells, whatever its name
		expect(t, "compressed, under a name of CSV", counts(s.Counts), "2 rows: 0 accepted 2 unchanged 0 superseded 0 waiting 0 skipped 0 quarantined")
	})
}

// A file that breaks off leaves nothing of any of its kinds.
func TestASecondFormatThatBreaksOff(t *testing.T) {
	onEachEngine(t, func(t *testing.T, d desk, _ map[string]clinical.Position) {
		path := write(t, t.TempDir(), "shift", wardText("S|S|P|4W|"+wardTime(0), "N|", "W|w", "broken"))
		s, err := d.Load(t.Context(), []string{path}, "test")
		if err != nil {
			t.Fatal(err)
		}
		expect(t, "the problem", problems(s), "shift:0  the file breaks off in line 5")
		expect(t, "left", fmt.Sprint(counts(s.Counts), d.kinds(t), len(d.held(t)), len(d.versions(t))),
			"0 rows: 0 accepted 0 unchanged 0 superseded 0 waiting 0 skipped 0 quarantined[] 0 0")
	})
}

// A message is taken in once, with its bookmark, or not at all.
func TestAMessageIsTakenInOnce(t *testing.T) {
	onEachEngine(t, func(t *testing.T, d desk, _ map[string]clinical.Position) {
		text := wardText("S|S|P|4W|"+wardTime(0), "B|v1|S|"+wardTime(1)+"|142|bed", "W|w1|S", "N|")
		m := records.Message{Feed: wardFeed, ID: "17", Sum: "one", Who: "pump", ReceivedAt: now}

		whole := d.Loader
		broken := *d.Loader
		broken.Store = fullStore{d.db, errors.New("the disk is full")}
		if _, _, err := broken.Receive(t.Context(), m, "line 1", []byte(text)); err == nil {
			t.Error("a store that is full took a message")
		}
		if _, reason, err := whole.Receive(t.Context(), m, "line 1", []byte(wardText("N|", "broken"))); err != nil || reason != "the message breaks off in line 3" {
			t.Errorf("a message that breaks off: %q, %v", reason, err)
		}
		if _, err := d.db.Message(t.Context(), wardFeed, "17"); clinical.CodeOf(err) != clinical.NotFound || len(d.held(t))+len(d.versions(t)) != 0 {
			t.Errorf("a message that was not taken in left something: %v", err)
		}

		taken, reason, err := whole.Receive(t.Context(), m, "line 1", []byte(text))
		if err != nil || reason != "" || taken.Repeated {
			t.Fatalf("%+v %q %v", taken, reason, err)
		}
		expect(t, "the ends", counts(taken.Counts), "4 rows: 2 accepted 0 unchanged 0 superseded 0 waiting 1 skipped 1 quarantined")

		later := m
		later.ReceivedAt = now.Add(time.Hour)
		again, _, err := whole.Receive(t.Context(), later, "line 1", []byte(text))
		if err != nil || !again.Repeated || !again.Message.ReceivedAt.Equal(now) || again.Message.Who != "pump" {
			t.Errorf("sent again: %+v, %v", again, err)
		}
		later.Sum = "two"
		if _, _, err := whole.Receive(t.Context(), later, "line 1", []byte(text)); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("another message under its number: %v", err)
		}
		expect(t, "left", fmt.Sprint(len(d.held(t)), len(d.versions(t))), "1 2")
		if h := d.held(t)[0]; h.File != "line 1" || h.Line != 4 {
			t.Errorf("held: %+v", h)
		}
	})
}

// A fact that names its patient alone waits until a stay of the patient covers its time,
// and belongs to that stay from then on.
func TestAFactWaitsForItsPatient(t *testing.T) {
	onEachEngine(t, func(t *testing.T, d desk, _ map[string]clinical.Position) {
		load := func(lines ...string) Summary {
			t.Helper()
			s, err := d.Load(t.Context(), []string{write(t, t.TempDir(), fmt.Sprint("shift-", len(lines)), wardText(lines...))}, "test")
			if err != nil {
				t.Fatal(err)
			}
			return s
		}
		weights := func() (out string) {
			for _, r := range clinical.ChartAt("S", d.versions(t), now).Records {
				if r.Kind == clinical.KindWeight {
					out += r.SourceID + " "
				}
			}
			return out
		}
		s := load("W|w1|@P|"+wardTime(1)+"|70", "W|w2|@Q|"+wardTime(1)+"|80", "W|w0|@P|"+wardTime(-9)+"|69")
		expect(t, "before the stay", counts(s.Counts)+"\n"+problems(s), strings.Join([]string{
			"3 rows: 0 accepted 0 unchanged 0 superseded 3 waiting 0 skipped 0 quarantined",
			"shift-3:2 w1 waiting: no stay of its patient covers its time yet",
			"shift-3:3 w2 waiting: no stay of its patient covers its time yet",
			"shift-3:4 w0 waiting: no stay of its patient covers its time yet", // lies before the admission
		}, "\n"))
		load("S|S|P|4W|" + wardTime(0))
		waiting, err := d.db.Waiting(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		expect(t, "with the stay", fmt.Sprint(weights(), len(waiting)), "w1 2")
	})
}
