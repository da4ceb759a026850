package ingest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// desk is a store of a test's own, and a loader of CSV into it.
type desk struct {
	*Loader
	db *store.Store
}

func newDesk(t *testing.T) desk {
	t.Helper()
	return deskOf(teststore.Empty(t))
}

func deskOf(db *store.Store) desk {
	return desk{db: db, Loader: &Loader{
		Store: db, Readers: []feed.Reader{csvfeed.Reader{}}, Clock: func() time.Time { return now }, Zone: time.UTC,
		Plausible: func(v clinical.Vitals) []string {
			if v.Systolic != nil && *v.Systolic > 300 {
				return []string{"systolic is outside"}
			}
			return nil
		},
	}}
}

// versions are those of the stay S.
func (d desk) versions(t *testing.T) []clinical.Version {
	t.Helper()
	all, err := d.db.Versions(t.Context(), []string{"S"})
	if err != nil {
		t.Fatal(err)
	}
	return all["S"]
}

func (d desk) held(t *testing.T) []records.Held {
	t.Helper()
	rows, err := d.db.AllHeld(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// hold puts rows into the quarantine, as a file that was read at an earlier moment.
func (d desk) hold(t *testing.T, rows ...records.Held) {
	t.Helper()
	load, err := d.db.BeginLoad(t.Context(), now, "test")
	if err == nil {
		_, err = d.db.Take(t.Context(), records.Delivery{Load: load, File: &records.Mark{Name: "/x/w.csv"}}, func(b records.Batch) error {
			for _, h := range rows {
				if err := b.Hold(h); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err == nil {
		_, err = d.db.FinishLoad(t.Context(), load, now)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// weightHeld is a row of weights as it was held.
func weightHeld(line int, id string, cells ...string) records.Held {
	return records.Held{
		Feed: csvfeed.Feed, File: "w.csv", Line: line, Kind: clinical.KindWeight, SourceID: id, Reason: "old",
		Context: []byte(strings.TrimSpace(weights)), Original: csvfeed.Encode(append([]string{id}, cells...)),
	}
}

// fullStore cannot store a version.
type fullStore struct {
	Store
	err error
}

func (f fullStore) Take(ctx context.Context, d records.Delivery, read func(records.Batch) error) (records.Taken, error) {
	return f.Store.Take(ctx, d, func(b records.Batch) error { return read(fullBatch{b, f.err}) })
}

type fullBatch struct {
	records.Batch
	err error
}

func (b fullBatch) Put(clinical.Version) error { return b.err }

func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

const aStay = "stay_id,patient_id,unit,admitted_at\nS,P,4W,2026-11-20T08:00\n"

const weights = "source_id,stay_id,measured_at,weight,status\n"

func problems(s Summary) string {
	var out []string
	for _, p := range s.Problems {
		out = append(out, fmt.Sprintf("%s:%d %s %s", p.File, p.Line, p.SourceID, p.Reason))
	}
	return strings.Join(out, "\n")
}

func TestBadRowsAndFilesAreNamedAndStopNothingElse(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "weights-1.csv", weights+"a,S,2026-11-24T08:00,70,\nb,S,never,70,\nc,S,2026-11-24T08:00,,amended\na,S,2026-11-24T08:00,-1,\n")
	write(t, dir, "vitals.csv", "source_id,stay_id,taken_at,systolic,mood\nv,S,2026-11-24T08:00,400,fine\nw,S,2026-11-24T08:00,140,fine\n")
	write(t, dir, "labs.csv", "source_id,stay_id,taken_at,loinc,value\nl,S,2026-11-24T08:00,718-7,12\nm,S,2026-1")
	write(t, dir, "notes.txt", "hello")
	write(t, dir, "bundle.json", "{}")
	write(t, dir, ".hidden/weights.csv", weights+"z,S,2026-11-24T08:00,70,\n")
	write(t, dir, "deeper/weights-2.csv", weights+"d,S,2026-11-24T08:00,71,\n")

	d := newDesk(t)
	s, err := d.Load(t.Context(), []string{write(t, t.TempDir(), "stays.csv", aStay), dir, filepath.Join(dir, "nowhere.csv")}, "test")
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Join([]string{
		"bundle.json:0  the file is of a format that this version does not read; it reads CSV",
		"labs.csv:0  the file is cut off in line 3; send it again whole",
		"notes.txt:0  the file is of an unknown kind",
		"nowhere.csv:0  there is no such file or folder",
		"vitals.csv:2 v implausible: systolic is outside",
		"weights-1.csv:3 b measured_at is not a time",
		"weights-1.csv:4 c correction not applied: weight is missing",  // by its status
		"weights-1.csv:5 a correction not applied: weight is negative", // of a fact that is held
	}, "\n")
	got := strings.Split(problems(s), "\n")
	for n, line := range strings.Split(want, "\n") {
		if n >= len(got) || !strings.HasPrefix(got[n], line) {
			t.Errorf("problem %d: want %q of\n%s", n+1, line, problems(s))
		}
	}
	if s.Files != 8 || s.Unreadable != 4 || s.Rows != 8 || s.Accepted != 5 || s.Held != 3 || len(got) != 8 {
		t.Errorf("summary: %+v", s)
	}
	if len(s.Notices) != 1 || s.Notices[0] != (Problem{File: "vitals.csv", Reason: "columns not known and not read: mood"}) {
		t.Errorf("notices: %+v", s.Notices)
	}
	for _, v := range d.versions(t) {
		if v.Kind == clinical.KindLab || v.SourceID == "z" {
			t.Errorf("kept of a cut-off or a hidden file: %+v", v)
		}
	}
}

func TestWaitingRowsAreNamed(t *testing.T) {
	path := write(t, t.TempDir(), "weights.csv", weights+"a,S,2026-11-24T08:00,70,\n")
	s, err := newDesk(t).Load(t.Context(), []string{path}, "test")
	if err != nil || s.Waiting != 1 || problems(s) != "weights.csv:2 a waiting: stay S has not been seen yet" {
		t.Errorf("%v, %s", err, problems(s))
	}
}

// A file that the store refuses is named, and stops no other.
func TestAFileThatCannotBeStoredStopsNothingElse(t *testing.T) {
	path := write(t, t.TempDir(), "weights.csv", weights+"a,S,2026-11-24T08:00,70,\n")
	d := newDesk(t)
	d.Store = fullStore{d.db, errors.New("the disk is full")}
	s, err := d.Load(t.Context(), []string{path}, "test")
	if err != nil || s.Unreadable != 1 || problems(s) != "weights.csv:0  the file could not be stored: the disk is full" {
		t.Errorf("%v, %s", err, problems(s))
	}
}

func TestHeldRowsAreReadAgain(t *testing.T) {
	d := newDesk(t)
	unparted := weightHeld(4, "")
	unparted.Reason, unparted.Context, unparted.Original = "quotes are out of order", nil, []byte(`"x"y`)
	unknown := weightHeld(5, "d", "S", "2026-11-25T08:00", "70", "")
	unknown.Feed = "of a version to come"
	d.hold(t, weightHeld(2, "a", "S", "2026-11-25T12:01", "70", ""), weightHeld(3, "b", "S", "2026-11-25T08:00", "heavy", ""), unparted, unknown)
	s, err := d.Retry(t.Context())
	got := d.versions(t)
	if err != nil || len(got) != 1 || got[0].SourceID != "a" || got[0].Line != 2 || got[0].File != "w.csv" {
		t.Fatalf("%v, %+v", err, got)
	}
	if s.Held != 3 || len(d.held(t)) != 3 || s.Rows != 4 || problems(s) != "w.csv:2 a waiting: stay S has not been seen yet\n"+
		"w.csv:3 b weight is not a number: \"heavy\"\nw.csv:4  quotes are out of order\nw.csv:5 d old" {
		t.Errorf("%+v", s)
	}
}

// Of two rows of one fact recorded at one moment the later one counts, so they
// are read again in the order in which they stood.
func TestHeldRowsAreReadAgainInTheirOrder(t *testing.T) {
	d := newDesk(t)
	var rows []records.Held
	for line := 12; line > 1; line-- {
		rows = append(rows, weightHeld(line, "a", "S", "2026-11-25T08:00", fmt.Sprint(60+line), ""))
	}
	d.hold(t, rows...)
	if _, err := d.Retry(t.Context()); err != nil {
		t.Fatal(err)
	}
	c := clinical.ChartAt("S", d.versions(t), now)
	if got := c.Records[0].Body.(clinical.Weight).KG; len(c.Records) != 1 || got != 72 {
		t.Errorf("%d facts, of %v kg; want one, of the 72 of the last row", len(c.Records), got)
	}
}

func TestTheWatcherReadsWhatIsNewAndStable(t *testing.T) {
	dir := t.TempDir()
	clock := now
	d := newDesk(t)
	w := &Watcher{Loader: d.Loader, Dir: dir, Settle: time.Minute, Clock: func() time.Time { return clock }}
	poll := func(wantRows, wantLeft int) {
		t.Helper()
		if err := w.Poll(context.Background()); err != nil {
			t.Fatal(err)
		}
		if rows := len(d.versions(t)); rows != wantRows || w.Last().Left != wantLeft || !w.Last().At.Equal(clock) {
			t.Errorf("%d rows, %d left; want %d, %d", rows, w.Last().Left, wantRows, wantLeft)
		}
	}
	at := func(path string, modified time.Time) {
		t.Helper()
		if err := os.Chtimes(path, modified, modified); err != nil {
			t.Fatal(err)
		}
	}
	poll(0, 0)

	old := write(t, dir, "weights-1.csv", weights+"a,S,2026-11-24T08:00,70,\n")
	at(old, now.Add(-time.Hour))
	fresh := write(t, dir, "weights-2.csv", weights+"b,S,2026-11-24T08:00,70,\n")
	at(fresh, now.Add(-time.Second))
	poll(1, 1) // the fresh one is left
	clock = clock.Add(time.Second)
	poll(2, 0) // it has stayed as it was since the look before
	clock = clock.Add(time.Second)
	poll(2, 0) // nothing new

	write(t, dir, "weights-2.csv", weights+"b,S,2026-11-24T08:00,70,\nc,S,2026-11-24T08:00,71,\n")
	at(fresh, clock.Add(-time.Second))
	poll(2, 1)
	poll(3, 0) // changed and stable: read whole again

	bad := write(t, dir, "weights-3.csv", "nothing of use\n")
	at(bad, now.Add(-time.Hour))
	poll(3, 0)
	if last := w.Last(); last.Summary.Unreadable != 1 || last.Dir != dir {
		t.Errorf("%+v", last)
	}
	clock = clock.Add(time.Minute)
	poll(3, 0)
	if last := w.Last(); !last.ReadAt.Before(clock) {
		t.Error("a file that cannot be read was tried again as it was")
	}

	w.Dir = filepath.Join(dir, "nowhere")
	if err := w.Poll(context.Background()); err == nil || !strings.Contains(err.Error(), "PLUMBLINE_FEED_DIR") || w.Last().Err == nil {
		t.Errorf("a folder that is not there: %v, %+v", err, w.Last())
	}
}

// A row that somebody has put right is read so, in its own place, and again whenever its
// file comes with the row as it was.
func TestARowIsPutRight(t *testing.T) {
	dir := t.TempDir()
	row := "b,S,2026-11-24T08:00,7o,"
	path := write(t, dir, "weights.csv", weights+"a,S,2026-11-24T08:00,70,\n"+row+"\n")
	d := newDesk(t)
	if _, err := d.Load(t.Context(), []string{path, write(t, dir, "stays.csv", aStay)}, "test"); err != nil {
		t.Fatal(err)
	}
	id := d.held(t)[0].ID
	header := strings.Split(strings.TrimSpace(weights), ",")
	for _, c := range []struct {
		record []string
		want   string
	}{
		{[]string{"b", "S", "2026-11-24T08:00", "heavy", ""}, "weight is not a number: \"heavy\""},
		{[]string{"b", "S", "2026-11-24T08:00"}, "weight is not a number: \"7o\""}, // nothing is read by its place
	} {
		if _, reason, err := d.Fix(t.Context(), id, csvfeed.Encode(header), csvfeed.Encode(c.record), "root"); err != nil || reason != c.want || len(d.held(t)) != 1 {
			t.Errorf("%v: %q, %v; want %q", c.record, reason, err, c.want)
		}
	}
	if _, _, err := d.Fix(t.Context(), 7, csvfeed.Encode(header), nil, "root"); clinical.CodeOf(err) != clinical.NotFound {
		t.Errorf("a row that is not held back: %v", err)
	}
	right := []string{"b", "S", "2026-11-24T08:00", "70.5", "", "2026-11-24T09:00"}
	if _, reason, err := d.Fix(t.Context(), id, csvfeed.Encode(append(header, "recorded_at")), csvfeed.Encode(right), "root"); err != nil || reason != "" {
		t.Fatal(reason, err)
	}
	fact := func() string {
		v := last(d.versions(t), "b")
		return fmt.Sprintf("%s %s %s:%d %v %s", v.SourceID, v.Feed, v.File, v.Line, v.Body.(clinical.Weight).KG, v.RecordedAt.Format("15:04"))
	}
	if got, want := fact(), "b csv weights.csv:3 70.5 09:00"; got != want {
		t.Errorf("put right: %s, want %s", got, want)
	}
	fixes, err := d.db.LastFixes(t.Context(), 5)
	if err != nil || len(fixes) != 1 {
		t.Fatal(fixes, err)
	}
	if f := fixes[0]; f.Who != "root" || !f.At.Equal(now) || string(f.Was.Original) != row || string(f.Original) != strings.Join(right, ",") {
		t.Errorf("kept of it: %+v", f)
	}

	write(t, dir, "weights.csv", weights+"c,S,2026-11-24T08:00,71,\n"+"a,S,2026-11-24T08:00,70,\n"+row+"\nb,S,2026-11-24T08:00,7p,\n")
	s, err := d.Load(t.Context(), []string{path}, "test")
	if err != nil || s.Accepted != 1 || s.Unchanged != 2 || s.Held != 1 || fact() != "b csv weights.csv:4 70.5 09:00" {
		t.Errorf("read again: %+v, %s, %v", s, fact(), err)
	}
	if held := d.held(t); len(held) != 1 || string(held[0].Original) != "b,S,2026-11-24T08:00,7p," {
		t.Errorf("held: %+v, want the row that nobody has put right", held)
	}
}

func TestOneRowIsReadAgain(t *testing.T) {
	d := newDesk(t)
	d.hold(t, weightHeld(2, "a", "S", "2026-11-24T08:00", "70", ""), weightHeld(3, "b", "S", "2026-11-24T08:00", "70", ""))
	id := d.held(t)[1].ID
	if _, err := d.RetryRow(t.Context(), id); err != nil || len(d.versions(t)) != 1 || d.versions(t)[0].SourceID != "b" {
		t.Errorf("read again: %+v, %v", d.versions(t), err)
	}
	for _, id := range []int64{id, 0, -1} {
		if _, err := d.RetryRow(t.Context(), id); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("row %d: %v", id, err)
		}
	}
}

// last is the version of a fact that counts.
func last(all []clinical.Version, source string) (out clinical.Version) {
	for _, v := range all {
		if v.SourceID == source {
			out = v
		}
	}
	return out
}
