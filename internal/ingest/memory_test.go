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

// unreadableRows is a compressed file of rows whose time cannot be read. They compress well.
func unreadableRows(t *testing.T, dir string, n int) string {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, _ = z.Write([]byte(weights))
	for range n {
		_, _ = z.Write([]byte("a,S,no time,70,\n"))
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, fmt.Sprintf("weights-%d.csv.gz", n))
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// A file of nothing but rows that cannot be used takes no more memory the longer it is: neither
// reading it, nor naming its rows, nor reading them again.
func TestRowsHeldBackDoNotFillTheMemory(t *testing.T) {
	drill.Long(t)
	peaks := map[string][]uint64{}
	for _, n := range []int{10_000, 30_000} {
		d := newDesk(t)
		path := unreadableRows(t, t.TempDir(), n)
		named := 0
		do := func(what string, run func() (Summary, error)) {
			peaks[what] = append(peaks[what], peakOf(t, func() {
				s, err := run()
				if err == nil && (s.Held != n || len(s.Problems) != mostNamed) {
					t.Errorf("%d rows are held and %d named, want %d and %d", s.Held, len(s.Problems), n, mostNamed)
				}
				if err == nil {
					err = d.EachProblem(t.Context(), s, func(Problem, bool) error { named++; return nil })
				}
				if err != nil {
					t.Fatal(err)
				}
			}))
		}
		do("load", func() (Summary, error) { return d.Load(t.Context(), []string{path}, "test") })
		do("retry", func() (Summary, error) { return d.Retry(t.Context()) })
		if named != 2*n {
			t.Errorf("%d problems are named, want %d", named, 2*n)
		}
	}
	for what, peak := range peaks {
		t.Logf("%s: at most %d and %d KB live", what, peak[0]>>10, peak[1]>>10)
		// A row and its problem are some 400 bytes, so that what kept them would take 8 MB more.
		if float64(peak[1]) > 1.5*float64(peak[0])+2<<20 {
			t.Errorf("%s: three times the rows take %.1f times the memory", what, float64(peak[1])/float64(peak[0]))
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
