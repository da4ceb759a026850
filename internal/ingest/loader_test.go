package ingest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
)

var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// memory is a store that keeps the rows of whole files.
type memory struct {
	versions []clinical.Version
	held     []feed.Held
	marks    map[string]Mark
	counts   Counts
	fixes    []feed.Fix
	full     error // what Put answers
}

func (m *memory) BeginLoad(context.Context, time.Time, string) (int64, error) { return 1, nil }

type batch struct {
	m        *memory
	versions []clinical.Version
	held     []feed.Held
}

func (b *batch) Put(v clinical.Version) error {
	b.versions = append(b.versions, v)
	return b.m.full
}

func (b *batch) Hold(h feed.Held) error {
	b.held = append(b.held, h)
	return nil
}

func (m *memory) LoadFile(_ context.Context, _ int64, mark Mark, read func(Batch) error) error {
	b := &batch{m: m}
	if err := read(b); err != nil {
		return err
	}
	m.versions, m.held = append(m.versions, b.versions...), append(m.held, b.held...)
	m.counts.Accepted += len(b.versions)
	m.counts.Quarantined += len(b.held)
	m.counts.Rows += len(b.versions) + len(b.held)
	if m.marks == nil {
		m.marks = map[string]Mark{}
	}
	m.marks[mark.Name] = mark
	return nil
}

func (m *memory) FinishLoad(context.Context, int64, time.Time) (Counts, error) { return m.counts, nil }

func (m *memory) Newest(_ context.Context, _ int64, kind clinical.Kind, ids []string, each func(clinical.Version) error) error {
	for _, v := range m.versions {
		if v.Kind == kind && slices.Contains(ids, v.SourceID) {
			if err := each(v); err != nil {
				return err
			}
		}
	}
	return nil
}

func (m *memory) Marks(context.Context) (map[string]Mark, error) { return m.marks, nil }

func (m *memory) HeldFacts(_ context.Context, kind clinical.Kind, ids []string) (map[string]bool, error) {
	out := map[string]bool{}
	for _, v := range m.versions {
		if v.Kind == kind && slices.Contains(ids, v.SourceID) {
			out[v.SourceID] = true
		}
	}
	return out, nil
}

func (m *memory) Held(_ context.Context, id int64) (map[int64]feed.Held, error) {
	out := map[int64]feed.Held{}
	for n, h := range m.held {
		if id == 0 || id == int64(n)+1 {
			out[int64(n)+1] = h
		}
	}
	return out, nil
}

func (m *memory) Fix(_ context.Context, _ int64, _ int64, v clinical.Version, f feed.Fix) error {
	m.versions, m.fixes = append(m.versions, v), append(m.fixes, f)
	return nil
}

func (m *memory) Fixes(context.Context, string) ([]feed.Fix, error) { return m.fixes, nil }

func (m *memory) Release(_ context.Context, _ int64, _ int64, v clinical.Version) error {
	m.versions = append(m.versions, v)
	return nil
}

func loader(m *memory) *Loader {
	return &Loader{
		Store: m, Clock: func() time.Time { return now }, Zone: time.UTC,
		Plausible: func(v clinical.Vitals) []string {
			if v.Systolic != nil && *v.Systolic > 300 {
				return []string{"systolic is outside"}
			}
			return nil
		},
	}
}

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

	m := &memory{}
	s, err := loader(m).Load(context.Background(), []string{dir, filepath.Join(dir, "nowhere.csv")}, "test")
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
	if s.Files != 7 || s.Unreadable != 4 || s.Rows != 7 || s.Accepted != 4 || s.Quarantined != 3 || len(got) != 8 {
		t.Errorf("summary: %+v", s)
	}
	if len(s.Notices) != 1 || s.Notices[0] != (Problem{File: "vitals.csv", Reason: "columns not known and not read: mood"}) {
		t.Errorf("notices: %+v", s.Notices)
	}
	for _, v := range m.versions {
		if v.Kind == clinical.KindLab || v.SourceID == "z" {
			t.Errorf("kept of a cut-off or a hidden file: %+v", v)
		}
	}
}

func TestWaitingRowsAreNamed(t *testing.T) {
	m := &memory{counts: Counts{Waiting: 1, Rows: 1, WaitingRows: []RowRef{{File: "weights.csv", Line: 2, SourceID: "a", StayID: "S"}}}}
	s, err := loader(m).Load(context.Background(), nil, "test")
	if err != nil || s.Waiting != 1 || problems(s) != "weights.csv:2 a waiting: stay S has not been seen yet" {
		t.Errorf("%v, %s", err, problems(s))
	}
}

// A file that the store refuses is named, and stops no other.
func TestAFileThatCannotBeStoredStopsNothingElse(t *testing.T) {
	path := write(t, t.TempDir(), "weights.csv", weights+"a,S,2026-11-24T08:00,70,\n")
	full := errors.New("the disk is full")
	s, err := loader(&memory{full: full}).Load(context.Background(), []string{path}, "test")
	if err != nil || s.Unreadable != 1 || problems(s) != "weights.csv:0  the file could not be stored: the disk is full" {
		t.Errorf("%v, %s", err, problems(s))
	}
}

func TestHeldRowsAreReadAgain(t *testing.T) {
	header := strings.Split(strings.TrimSpace(weights), ",")
	m := &memory{held: []feed.Held{
		{Feed: "csv", File: "w.csv", Line: 2, Kind: clinical.KindWeight, SourceID: "a", Header: header, Record: []string{"a", "S", "2026-11-25T12:01", "70", ""}, Reason: "lay ahead then"},
		{Feed: "csv", File: "w.csv", Line: 3, Kind: clinical.KindWeight, SourceID: "b", Header: header, Record: []string{"b", "S", "2026-11-25T08:00", "heavy", ""}, Reason: "old"},
		{Feed: "csv", File: "w.csv", Line: 4, Kind: clinical.KindWeight, Record: []string{`"x"y`}, Reason: "quotes are out of order"},
	}}
	s, err := loader(m).Retry(context.Background())
	if err != nil || len(m.versions) != 1 || m.versions[0].SourceID != "a" || m.versions[0].Line != 2 || m.versions[0].File != "w.csv" {
		t.Fatalf("%v, %+v", err, m.versions)
	}
	if s.Quarantined != 2 || problems(s) != "w.csv:3 b weight is not a number: \"heavy\"\nw.csv:4  quotes are out of order" {
		t.Errorf("%+v", s)
	}
}

// Of two rows of one fact recorded at one moment the later one counts, so they
// are read again in the order in which they stood.
func TestHeldRowsAreReadAgainInTheirOrder(t *testing.T) {
	header := strings.Split(strings.TrimSpace(weights), ",")
	m := &memory{}
	for line := 30; line > 1; line-- {
		m.held = append(m.held, feed.Held{Feed: "csv", File: "w.csv", Line: line, Kind: clinical.KindWeight, SourceID: "a", Header: header, Record: []string{"a", "S", "2026-11-25T08:00", "70", ""}})
	}
	if _, err := loader(m).Retry(context.Background()); err != nil || len(m.versions) != 29 {
		t.Fatalf("%v, %d versions", err, len(m.versions))
	}
	for n, v := range m.versions {
		if v.Line != n+2 {
			t.Fatalf("row of line %d is read as number %d", v.Line, n+1)
		}
	}
}

func TestTheWatcherReadsWhatIsNewAndStable(t *testing.T) {
	dir := t.TempDir()
	clock := now
	m := &memory{}
	l := loader(m)
	w := &Watcher{Loader: l, Dir: dir, Settle: time.Minute, Clock: func() time.Time { return clock }}
	poll := func(wantRows, wantLeft int) {
		t.Helper()
		if err := w.Poll(context.Background()); err != nil {
			t.Fatal(err)
		}
		if len(m.versions) != wantRows || w.Last().Left != wantLeft || !w.Last().At.Equal(clock) {
			t.Errorf("%d rows, %d left; want %d, %d", len(m.versions), w.Last().Left, wantRows, wantLeft)
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
	poll(4, 0) // changed and stable: read whole again

	bad := write(t, dir, "weights-3.csv", "nothing of use\n")
	at(bad, now.Add(-time.Hour))
	poll(4, 0)
	if last := w.Last(); last.Summary.Unreadable != 1 || last.Dir != dir {
		t.Errorf("%+v", last)
	}
	clock = clock.Add(time.Minute)
	poll(4, 0)
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
	m := &memory{}
	l := loader(m)
	if _, err := l.Load(t.Context(), []string{path}, "test"); err != nil {
		t.Fatal(err)
	}
	header := strings.Split(strings.TrimSpace(weights), ",")
	for _, c := range []struct {
		record []string
		want   string
	}{
		{[]string{"b", "S", "2026-11-24T08:00", "heavy", ""}, "weight is not a number: \"heavy\""},
		{[]string{"b", "S", "2026-11-24T08:00"}, "weight is not a number: \"7o\""}, // nothing is read by its place
	} {
		if _, reason, err := l.Fix(t.Context(), 1, header, c.record, "root"); err != nil || reason != c.want || len(m.fixes) > 0 {
			t.Errorf("%v: %q, %v; want %q", c.record, reason, err, c.want)
		}
	}
	if _, _, err := l.Fix(t.Context(), 7, header, nil, "root"); clinical.CodeOf(err) != clinical.NotFound {
		t.Errorf("a row that is not held back: %v", err)
	}
	right := []string{"b", "S", "2026-11-24T08:00", "70.5", "", "2026-11-24T09:00"}
	if _, reason, err := l.Fix(t.Context(), 1, append(header, "recorded_at"), right, "root"); err != nil || reason != "" {
		t.Fatal(reason, err)
	}
	last := func() string {
		v := m.versions[len(m.versions)-1]
		return fmt.Sprintf("%s %s %s:%d %v %s", v.SourceID, v.Feed, v.File, v.Line, v.Body.(clinical.Weight).KG, v.RecordedAt.Format("15:04"))
	}
	if got, want := last(), "b csv weights.csv:3 70.5 09:00"; got != want {
		t.Errorf("put right: %s, want %s", got, want)
	}
	if f := m.fixes[0]; f.Who != "root" || !f.At.Equal(now) || strings.Join(f.Record, ",") != row || strings.Join(f.NewRecord, ",") != strings.Join(right, ",") {
		t.Errorf("kept of it: %+v", f)
	}

	m.versions, m.held, m.counts = nil, nil, Counts{}
	write(t, dir, "weights.csv", weights+"c,S,2026-11-24T08:00,71,\n"+"a,S,2026-11-24T08:00,70,\n"+row+"\nb,S,2026-11-24T08:00,7p,\n")
	s, err := l.Load(t.Context(), []string{path}, "test")
	if err != nil || s.Accepted != 3 || s.Quarantined != 1 || last() != "b csv weights.csv:4 70.5 09:00" {
		t.Errorf("read again: %+v, %s, %v", s, last(), err)
	}
	if len(m.held) != 1 || m.held[0].Record[3] != "7p" {
		t.Errorf("held back: %+v, want the row that nobody has put right", m.held)
	}
}

func TestOneRowIsReadAgain(t *testing.T) {
	header := strings.Split(strings.TrimSpace(weights), ",")
	held := func(id string) feed.Held {
		return feed.Held{Feed: "csv", File: "w.csv", Line: 2, Kind: clinical.KindWeight, SourceID: id, Header: header, Record: []string{id, "S", "2026-11-24T08:00", "70", ""}}
	}
	m := &memory{held: []feed.Held{held("a"), held("b")}}
	if _, err := loader(m).RetryRow(t.Context(), 2); err != nil || len(m.versions) != 1 || m.versions[0].SourceID != "b" {
		t.Errorf("read again: %+v, %v", m.versions, err)
	}
	for _, id := range []int64{3, 0, -1} {
		if _, err := loader(m).RetryRow(t.Context(), id); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("row %d: %v", id, err)
		}
	}
}
