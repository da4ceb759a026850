package ingest

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"runtime/metrics"
	"sync"
	"testing"
	"time"

	"plumbline/internal/drill"
	"plumbline/internal/records"
)

// peakOf is the most that lived in memory while something was done, in bytes, as the garbage
// collector found it.
func peakOf(t *testing.T, do func()) uint64 {
	t.Helper()
	defer debug.SetGCPercent(debug.SetGCPercent(50))
	sample := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	debug.FreeOSMemory()
	metrics.Read(sample)
	before, peak := sample[0].Value.Uint64(), uint64(0)
	stop := make(chan bool)
	var looking sync.WaitGroup
	looking.Go(func() {
		for tick := time.NewTicker(time.Millisecond); ; {
			select {
			case <-stop:
				return
			case <-tick.C:
				metrics.Read(sample)
				peak = max(peak, sample[0].Value.Uint64())
			}
		}
	})
	do()
	close(stop)
	looking.Wait()
	return max(peak, before) - before
}

// packed is a compressed file of so many rows.
func packed(t *testing.T, dir, name, head string, n int, row func(n int) string) string {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, _ = z.Write([]byte(head))
	for k := range n {
		_, _ = z.Write([]byte(row(k)))
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, fmt.Sprintf("%s-%d.csv.gz", name, n))
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// manyRows are files of nothing but rows of which people must be told: held back, waiting for a stay that
// nobody knows, with a value that is not believed.
var manyRows = map[string]struct {
	kind, head string
	row        func(n int) string
}{
	"held":        {"weights", weights, func(int) string { return "a,S,no time,70,\n" }},
	"waiting":     {"weights", weights, func(n int) string { return fmt.Sprintf("w%d,W%d,2026-11-24T08:00,70,\n", n, n) }},
	"one waits":   {"weights", weights, func(n int) string { return fmt.Sprintf("w%d,W,2026-11-24T08:00,70,\n", n) }},
	"implausible": {"vitals", "source_id,stay_id,taken_at,systolic\n", func(n int) string { return fmt.Sprintf("v%d,S,2026-11-24T08:00,999\n", n) }},
}

// A file of nothing but such rows takes no more memory the longer it is: neither reading it, nor naming its
// rows, nor reading those held again.
func TestRowsToBeToldOfDoNotFillTheMemory(t *testing.T) {
	drill.Long(t)
	for what, many := range manyRows {
		peaks := map[string][]uint64{}
		for _, n := range []int{8_000, 32_000} {
			d := newDesk(t)
			dir := t.TempDir()
			if _, err := d.Load(t.Context(), []string{write(t, dir, "stays.csv", aStay)}, "test"); err != nil {
				t.Fatal(err)
			}
			path := packed(t, dir, many.kind, many.head, n, many.row)
			named, loads := 0, 0
			do := func(how string, run func() (Summary, error)) {
				loads++
				peaks[how] = append(peaks[how], peakOf(t, func() {
					s, err := run()
					if err == nil && (s.Rows != n || len(s.Problems) != mostNamed) {
						t.Errorf("%s: of %d rows %d are named, want %d", what, s.Rows, len(s.Problems), mostNamed)
					}
					last := Problem{}
					if err == nil {
						err = d.EachProblem(t.Context(), s, func(p Problem, _ bool) error {
							if byPlace(last, p) > 0 {
								t.Errorf("%v is named after %v", p, last)
							}
							named, last = named+1, p
							return nil
						})
					}
					if err != nil {
						t.Fatal(err)
					}
				}))
			}
			do("load", func() (Summary, error) { return d.Load(t.Context(), []string{path}, "test") })
			switch what {
			case "held":
				do("retry", func() (Summary, error) { return d.Retry(t.Context()) })
			case "waiting", "one waits":
				do("load again", func() (Summary, error) { return d.Load(t.Context(), []string{path}, "test") })
			}
			if named != loads*n {
				t.Errorf("%s: %d problems are named, want %d", what, named, loads*n)
			}
		}
		for how, peak := range peaks {
			t.Logf("%s, %s: at most %d and %d KB live", what, how, peak[0]>>10, peak[1]>>10)
			// A row and its problem are some 400 bytes, so that what kept them would take 10 MB more.
			if float64(peak[1]) > 1.5*float64(peak[0])+4<<20 {
				t.Errorf("%s, %s: four times the rows take %.1f times the memory", what, how, float64(peak[1])/float64(peak[0]))
			}
		}
	}
}

// What lay ahead of the clock is read again by itself once it does not, and only that, and once.
func TestRowsAheadOfTheClockAreReadAgainByThemselves(t *testing.T) {
	d := newDesk(t)
	clock := now
	d.Clock = func() time.Time { return clock }
	path := write(t, t.TempDir(), "weights-1.csv", "source_id,stay_id,measured_at,weight,recorded_at\n"+
		"soon,S,2026-11-25T12:20:30.5Z,70,\n"+
		"never,S,2026-11-25T13:00:00Z,70,2026-11-25T11:00:00Z\n"+
		"bad,S,no time,70,\n")
	if s, err := d.Load(t.Context(), []string{path}, "test"); err != nil || s.Held != 3 {
		t.Fatalf("%v, %+v", err, s)
	}
	retried := func() string {
		t.Helper()
		s, any, err := d.RetryDue(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("%v %d accepted %d waiting %d held", any, s.Accepted, s.Waiting, s.Held)
	}
	for _, step := range []struct {
		at   time.Duration
		want string
	}{
		{15 * time.Minute, "false 0 accepted 0 waiting 0 held"},
		{15*time.Minute + 31*time.Second, "true 0 accepted 1 waiting 0 held"},
		{16 * time.Minute, "false 0 accepted 0 waiting 0 held"},
		{55*time.Minute + time.Second, "true 0 accepted 0 waiting 1 held"}, // later than it was recorded, for ever
		{56 * time.Minute, "false 0 accepted 0 waiting 0 held"},
	} {
		clock = now.Add(step.at)
		if got := retried(); got != step.want {
			t.Errorf("after %v: %s, want %s", step.at, got, step.want)
		}
	}
	if got := d.versions(t); len(got) != 1 || got[0].SourceID != "soon" || len(d.held(t)) != 2 {
		t.Errorf("%+v, %d held", got, len(d.held(t)))
	}
}

// Rows are gone through in parts, and while they are released.
func TestEachHeldRowIsMetOnce(t *testing.T) {
	d := newDesk(t)
	var rows []records.Held
	for n := range 1201 {
		rows = append(rows, weightHeld(n/2, fmt.Sprint(n), "S", "2026-11-25T08:00", "70", ""))
	}
	d.hold(t, rows...)
	s, err := d.Retry(t.Context())
	if err != nil || s.Rows != 1201 || s.Held != 0 || len(d.versions(t)) != 1201 {
		t.Errorf("%v, %d rows, %d held, %d versions", err, s.Rows, s.Held, len(d.versions(t)))
	}
}
