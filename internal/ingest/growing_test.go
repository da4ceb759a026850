package ingest

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/ingest/hl7feed"
)

// folder is one that is looked at once a minute.
type folder struct {
	desk
	dir     string
	watcher *Watcher
	clock   time.Time
}

func newFolder(t *testing.T) *folder {
	t.Helper()
	w := &folder{desk: newDesk(t), dir: t.TempDir(), clock: now}
	w.Readers = []feed.Reader{
		fhirfeed.New(fhirfeed.Settings{StayClasses: []string{"IMP"}, MaxResource: 1 << 20, MaxDepth: 100}),
		hl7feed.Reader{Settings: hl7feed.Settings{StayClasses: []string{"IMP"}}}, csvfeed.Reader{},
	}
	w.watcher = &Watcher{Loader: w.Loader, Dir: w.dir, Settle: 5 * time.Second, Clock: func() time.Time { return w.clock }}
	return w
}

// append adds to a file at the moment of its clock.
func (w *folder) append(t *testing.T, name, text string) {
	t.Helper()
	path := filepath.Join(w.dir, name)
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err == nil {
		_, err = f.WriteString(text)
	}
	if err == nil {
		err = f.Close()
	}
	if err == nil {
		err = os.Chtimes(path, w.clock, w.clock)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// look looks at the folder a minute later.
func (w *folder) look(t *testing.T) Look {
	t.Helper()
	if err := w.watcher.Poll(t.Context()); err != nil {
		t.Fatal(err)
	}
	return w.watcher.Last()
}

// A file that a row is added to a second before each look never rests. Each row is known at the
// second look after it came all the same, and what is not is told of.
func TestAFileThatNeverRestsIsReadAsFarAsItHasSettled(t *testing.T) {
	w := newFolder(t)
	w.append(t, "weights-1.csv", weights)
	for n := range 10 {
		w.append(t, "weights-1.csv", "a"+string(rune('0'+n))+",S,2026-11-24T08:00,70,\n")
		w.clock = w.clock.Add(time.Second)
		last := w.look(t)
		if known := len(w.versions(t)); known != n {
			t.Errorf("look %d: %d rows are known, want the %d of the looks before", n+1, known, n)
		}
		if len(last.Growing) != 1 || last.Growing[0].Name != "weights-1.csv" || last.Left != 1 || w.clock.Sub(last.Growing[0].Since) > time.Minute {
			t.Errorf("look %d: left are %+v", n+1, last.Growing)
		}
		w.clock = w.clock.Add(time.Minute)
	}
	w.look(t) // as at the look before
	if last := w.look(t); len(w.versions(t)) != 10 || last.Left != 0 {
		t.Errorf("at rest: %d rows, left %+v", len(w.versions(t)), last.Growing)
	}
	if all := len(w.held(t)); all != 0 {
		t.Errorf("%d rows are held", all)
	}
}

// Rows that come now and then, as from an interface that writes each as it happens: every look
// finds the last write long enough ago, and takes all.
func TestAFileThatRestsBetweenWritesIsReadAtOnce(t *testing.T) {
	w := newFolder(t)
	w.append(t, "weights-1.csv", weights)
	w.look(t)
	for n := range 5 {
		w.append(t, "weights-1.csv", "a"+string(rune('0'+n))+",S,2026-11-24T08:00,70,\n")
		w.clock = w.clock.Add(20 * time.Second)
		w.look(t)
		if known := len(w.versions(t)); known != n+1 {
			t.Errorf("look %d: %d rows are known, want %d", n+1, known, n+1)
		}
		w.clock = w.clock.Add(40 * time.Second)
	}
}

// A clock that is set back by a day, and files with times that lie ahead of it, keep nothing out.
func TestAClockSetBackKeepsNoFileOut(t *testing.T) {
	w := newFolder(t)
	w.append(t, "weights-1.csv", weights)
	for n := range 3 {
		w.append(t, "weights-1.csv", "a"+string(rune('0'+n))+",S,2026-11-20T08:00,70,\n")
		w.clock = w.clock.Add(time.Second)
		w.look(t)
		w.clock = w.clock.Add(time.Minute)
	}
	w.append(t, "weights-2.csv", weights+"b,S,2026-11-20T08:00,70,\n")
	w.clock = w.clock.Add(-24 * time.Hour)
	for n := range 3 {
		w.append(t, "weights-1.csv", "c"+string(rune('0'+n))+",S,2026-11-20T08:00,70,\n")
		w.clock = w.clock.Add(time.Second)
		w.look(t)
		w.clock = w.clock.Add(time.Minute)
	}
	if known := len(w.versions(t)); known != 6 { // a0 to a2, b, and c0 and c1 of the looks before
		t.Errorf("%d rows are known, want 6", known)
	}
}

// What may go on is left: half a line, an open quote, a message that nothing ends.
func TestWhatMayGoOnIsLeft(t *testing.T) {
	w := newFolder(t)
	rest := map[string][2]string{
		"weights-1.csv": {weights + "a,S,2026-11-24T08:00,70,\nb,S,2026-11-24T08:00,7", "1,\n"},
		"weights-2.csv": {weights + "c,S,2026-11-24T08:00,70,\nd,S,2026-11-24T08:00,\"70\n", "\",\n"},
		"adt.hl7":       {hl7Stay("1", "S7") + hl7Stay("2", "S8"), "ZZZ|goes on\r"},
		"obs.ndjson": {
			`{"resourceType":"Patient","id":"p"}` + "\n" + `{"resourceType":"Encounter","id":"S9","status":"in-progress",` +
				`"class":{"code":"IMP"},"subject":{"reference":"Patient/p"},"period":{"start":"2026-11-24T08:00:00Z"}}` + "\n{\"resource", "Type\":\"Basic\"}\n",
		},
		"bundle.json": {"{\"resourceType\":\"Bundle\",\n\"entry\":[\n", "]}\n"},
	}
	for name, text := range rest {
		w.append(t, name, text[0])
	}
	w.look(t)
	w.clock = w.clock.Add(10 * time.Second)
	for name := range rest {
		w.append(t, name, " "[:1])
		if err := os.Truncate(filepath.Join(w.dir, name), int64(len(rest[name][0]))); err != nil {
			t.Fatal(err)
		}
	}
	last := w.look(t)
	if len(last.Growing) != 3 || last.Summary.Unreadable != 0 || last.Summary.Held != 0 || len(last.Refused) != 0 {
		t.Errorf("%+v", last)
	}
	known := func() string {
		var out []string
		for _, stay := range []string{"S", "S7", "S8", "S9"} {
			all, err := w.db.Versions(t.Context(), []string{stay})
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range all[stay] {
				out = append(out, v.SourceID)
			}
		}
		return strings.Join(out, " ")
	}
	if got := known(); got != "a c S7 S9" {
		t.Errorf("known are %q, want a, c, S7 and S9 alone", got)
	}
	for name, text := range rest {
		w.append(t, name, text[1])
	}
	w.look(t)
	w.clock = w.clock.Add(10 * time.Second)
	w.look(t)
	if got := known(); got != "a b c d S7 S8 S9" {
		t.Errorf("known are %q, want all", got)
	}
	if last := w.watcher.Last(); last.Left != 0 || len(last.Refused) != 0 {
		t.Errorf("left: %+v", last)
	}
}

func hl7Stay(control, stay string) string {
	return "MSH|^~\\&|A|B|C|D|20261124080000+0000||ADT^A01|" + control + "|P|2.5\rPID|||P1^^^^MR\r" +
		"PV1||I|4W^12^A||||||||||||||||" + stay + "|||||||||||||||||||||||||20261124080000+0000\r"
}

// A named pipe that nobody writes to would hold up whoever opens it, for ever.
func TestOnlyRegularFilesOfTheFolderAreRead(t *testing.T) {
	w := newFolder(t)
	outside := write(t, t.TempDir(), "weights-8.csv", weights+"x,S,2026-11-24T08:00,70,\n")
	w.append(t, "weights-1.csv", weights+"a,S,2026-11-24T08:00,70,\n")
	if err := os.Mkdir(filepath.Join(w.dir, "below"), 0o700); err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(syscall.Mkfifo(filepath.Join(w.dir, "weights-2.csv"), 0o600))
	must(os.Symlink(outside, filepath.Join(w.dir, "weights-3.csv")))
	must(os.Symlink("../"+filepath.Base(filepath.Dir(outside))+"/weights-8.csv", filepath.Join(w.dir, "weights-4.csv")))
	must(os.Symlink("/dev/zero", filepath.Join(w.dir, "weights-5.csv")))
	must(os.Symlink("below", filepath.Join(w.dir, "weights-6.csv")))
	must(os.Symlink("../weights-1.csv", filepath.Join(w.dir, "below", "weights-7.csv")))
	l, err := net.Listen("unix", filepath.Join(w.dir, "s"))
	must(err)
	defer func() { _ = l.Close() }()
	w.clock = w.clock.Add(time.Hour)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	done := make(chan Look, 1)
	go func() { _ = w.watcher.Poll(ctx); done <- w.watcher.Last() }()
	var last Look
	select {
	case last = <-done:
	case <-ctx.Done():
		t.Fatal("a look at the folder does not end")
	}
	var said []string
	for _, p := range last.Refused {
		said = append(said, p.String())
	}
	for _, want := range []string{
		"s: it is a socket", "weights-2.csv: it is a named pipe", "weights-3.csv: it is a symbolic link that leaves",
		"weights-4.csv: it is a symbolic link that leaves", "weights-5.csv: it is a symbolic link that leaves",
		"weights-6.csv: it is a link to a folder",
	} {
		if !strings.Contains(strings.Join(said, "\n"), want) {
			t.Errorf("%q is not said: %q", want, said)
		}
	}
	if len(said) != 6 || len(w.versions(t)) != 1 || last.Summary.Files != 8 || last.Summary.Unreadable != 6 {
		t.Errorf("%d refused, %d versions, %+v", len(said), len(w.versions(t)), last.Summary)
	}
	if w.look(t); w.watcher.Last().ReadAt != last.ReadAt || len(w.watcher.Last().Refused) != 6 {
		t.Error("what is no file is looked into at each look, or forgotten")
	}
	if s, err := w.Load(ctx, []string{filepath.Join(w.dir, "weights-2.csv")}, "test"); err != nil || s.Unreadable != 1 {
		t.Errorf("a pipe named by itself: %v, %+v", err, s)
	}
}

// The clock is set back by a day between two looks. What the folder holds is read all the same, and rows
// that lie ahead of the clock so are held until it is right, and then read by themselves.
func TestAClockSetBackLosesNoRow(t *testing.T) {
	w := newFolder(t)
	w.Clock = func() time.Time { return w.clock }
	right := w.clock
	w.append(t, "weights-1.csv", weights+"a,S,2026-11-25T11:00,70,\n")
	w.append(t, "weights-2.csv", weights)
	w.look(t)
	w.look(t)
	w.clock = right.Add(-24 * time.Hour)
	row := func(id string) string { return id + ",S," + right.Format(time.RFC3339) + ",70,\n" }
	path := filepath.Join(w.dir, "weights-2.csv")
	if err := os.WriteFile(path, []byte(weights+row("b")), 0o600); err != nil { // its time is ahead of the clock
		t.Fatal(err)
	}
	if err := os.Chtimes(path, right, right); err != nil {
		t.Fatal(err)
	}
	w.append(t, "weights-3.csv", weights+row("c"))
	for range 3 {
		w.clock = w.clock.Add(time.Minute)
		w.look(t)
	}
	if held := w.held(t); len(held) != 2 || len(w.watcher.Last().Growing) != 0 {
		t.Errorf("held are %+v, left %+v", held, w.watcher.Last().Growing)
	}
	w.clock = right.Add(time.Minute)
	if s, _, err := w.RetryDue(t.Context()); err != nil || s.Accepted+s.Waiting != 2 || s.Held != 0 {
		t.Errorf("with the clock right again: %v, %+v", err, s)
	}
	w.look(t)
	if got := w.versions(t); len(got) != 3 || len(w.held(t)) != 0 {
		t.Errorf("%d versions, %d held, want 3 and 0", len(got), len(w.held(t)))
	}
}
