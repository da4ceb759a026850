package app

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	neturl "net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime/pprof"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/drill"
	"plumbline/internal/report"
)

// output is a buffer that a server may write while a test reads it.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// patience is how long a test waits before it counts as hanging: what is slow, on a small
// machine with other work, is far below it.
const patience = 3 * time.Minute

// within waits for something to hold.
func within(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		if holds() {
			return
		}
	}
	hangs(t, "did not come to pass: "+what)
}

// hangs ends a test that waits in vain, with what every goroutine was doing.
func hangs(t *testing.T, what string) {
	t.Helper()
	var all bytes.Buffer
	_ = pprof.Lookup("goroutine").WriteTo(&all, 2)
	t.Fatalf("%s: given up after %s; all goroutines:\n%s", what, patience, &all)
}

// start runs a serving command and returns its address and a way to stop it.
func start(t *testing.T, args []string, env map[string]string) (url string, stop func() int) {
	t.Helper()
	url, _, stop = startAndSay(t, args, env)
	return url, stop
}

// startAndSay also returns what the command printed and logs.
func startAndSay(t *testing.T, args []string, env map[string]string) (url string, said func() string, stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, log := &output{}, &output{}
	code := make(chan int, 1)
	go func() {
		code <- Run(ctx, args, func(name string) string { return env[name] }, nil, out, log)
	}()
	within(t, "the server says where it is", func() bool { return strings.Contains(out.String(), "open http") })
	t.Cleanup(cancel)
	first, _, _ := strings.Cut(out.String(), "\n")
	url = strings.TrimSuffix(strings.TrimPrefix(first, "open "), "/")
	return url, func() string { return out.String() + log.String() }, func() int {
		cancel()
		select {
		case c := <-code:
			if c != 0 {
				t.Logf("log: %s", log)
			}
			return c
		case <-time.After(patience):
			hangs(t, "the server does not stop")
			return 1
		}
	}
}

func get(t *testing.T, url string) (int, string) { return getBy(t, http.DefaultClient, url) }

func getBy(t *testing.T, client *http.Client, url string) (int, string) {
	t.Helper()
	r, err := client.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Body.Close() }()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(body)
}

// writeOld writes a file that has been whole for a while.
func writeOld(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-time.Minute)
	if err := os.Chtimes(path, old, old); err != nil {
		t.Fatal(err)
	}
}

// The schedule picks up new and changed files while the server runs, leaves one
// that is still being written, and the server stops cleanly.
func TestServeReadsTheFeedFolder(t *testing.T) {
	drill.Long(t)
	eachEngine(t, func(t *testing.T, database string) {
		dir := t.TempDir()
		if database == "" {
			database = filepath.Join(dir, "test.db")
		}
		feed := filepath.Join(dir, "feed")
		if err := os.Mkdir(feed, 0o700); err != nil {
			t.Fatal(err)
		}
		now := time.Now().UTC()
		at := func(hours float64) string {
			return now.Add(-time.Duration(hours * float64(time.Hour))).Format(time.RFC3339)
		}
		stay := func(n int) string { return fmt.Sprintf("S%d,P%d,4W,%s\n", n, n, at(30)) }
		head := "stay_id,patient_id,unit,admitted_at\n"
		writeOld(t, filepath.Join(feed, "stays-1.csv"), head+stay(1))

		url, stop := start(t, []string{"serve", "--listen", "127.0.0.1:0"}, map[string]string{
			"PLUMBLINE_DATABASE": database, "PLUMBLINE_FEED_DIR": feed, "PLUMBLINE_FEED_EVERY": "@every 1s",
			"PLUMBLINE_FEED_SETTLE": "1h", // nothing fresh is stable by age alone
		})
		client := signIn(t, url, "nurse", addUser(t, database, "nurse", "falls-nurse"))
		listed := func(n int) func() bool {
			return func() bool {
				_, body := getBy(t, client, url+"/api/v1/units/4W/list")
				var doc report.List
				return json.Unmarshal([]byte(body), &doc) == nil && len(doc.Patients) == n
			}
		}
		// One minute old and an hour to settle: read at the second look, unchanged.
		within(t, "the first file is read", listed(1))

		growing := filepath.Join(feed, "stays-2.csv")
		f, err := os.Create(growing)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = f.WriteString(head + stay(2))
		var longest time.Duration // between two writes
		for n := range 15 {       // still being written: each look finds it changed
			paused := time.Now()
			time.Sleep(200 * time.Millisecond)
			_, _ = f.WriteString(stay(3 + n))
			longest = max(longest, time.Since(paused))
		}
		written := time.Now()
		alone := listed(1)()
		// Where the machine was so slow that a look found nothing new, it is not held to this.
		if longest = max(longest, time.Since(written)); !alone && longest < time.Second {
			t.Error("a file was read while it was being written")
		}
		_ = f.Close()
		within(t, "the finished file is read", listed(17))

		writeOld(t, filepath.Join(feed, "stays-1.csv"), head+stay(1)+stay(99))
		within(t, "the changed file is read", listed(18))
		within(t, "the page shows it within the minute", func() bool {
			_, page := getBy(t, client, url+"/units/4W")
			return strings.Contains(page, "P99")
		})

		within(t, "what is owed is on its page, and is taken there", func() bool {
			_, page := getBy(t, client, url+"/units/4W/episodes")
			form := regexp.MustCompile(`action="(/episodes/[0-9a-f]{32}/take)" class="form"><input type="hidden" name="seen" value="([0-9a-f]{32}:\d+)">`).FindStringSubmatch(page)
			if form == nil {
				return false
			}
			r, err := client.PostForm(url+form[1], neturl.Values{"seen": {form[2]}})
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = r.Body.Close() }()
			body, err := io.ReadAll(r.Body)
			return err == nil && r.StatusCode == http.StatusOK && strings.Contains(string(body), "Taken by nurse")
		})

		if code, _ := get(t, url+"/healthz"); code != http.StatusOK {
			t.Errorf("healthz %d", code)
		}
		if code, _ := get(t, url+"/readyz"); code != http.StatusOK {
			t.Errorf("readyz %d", code)
		}
		if code, body := getBy(t, client, url+"/feeds"); code != http.StatusOK || !strings.Contains(body, "stays-2.csv") {
			t.Errorf("the feed page (%d) does not name the file", code)
		}
		if err := os.Rename(feed, feed+"-gone"); err != nil {
			t.Fatal(err)
		}
		within(t, "a feed that cannot be read is told", func() bool {
			code, _ := get(t, url+"/readyz")
			_, feeds := getBy(t, client, url+"/feeds")
			return code == http.StatusServiceUnavailable && strings.Contains(feeds, "could not be read at the last look")
		})
		if code := stop(); code != 0 {
			t.Errorf("exit code %d", code)
		}
	})
}

// The demo starts on a database of its own, fills itself, and leaves nothing behind.
func TestDemoIsAlive(t *testing.T) {
	drill.Long(t)
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	url, said, stop := startAndSay(t, []string{"demo", "--listen", "127.0.0.1:0"}, nil)
	code, body := signInPrinted(t, url, said)
	if code != http.StatusOK || !strings.Contains(body, "nothing owed by these rules") {
		t.Errorf("the demo's first page: %d", code)
	}
	for _, wrong := range []string{"low risk", "Low risk"} {
		if strings.Contains(body, wrong) {
			t.Errorf("the page says %q", wrong)
		}
	}
	if code := stop(); code != 0 {
		t.Errorf("exit code %d", code)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

// A load that is killed at any instant loses and doubles nothing: what is there
// afterwards, loaded again, equals a load that was not disturbed.
func TestKilledLoadLosesAndDoublesNothing(t *testing.T) {
	drill.Long(t)
	eachEngine(t, func(t *testing.T, database string) {
		dir := t.TempDir()
		feed := filepath.Join(dir, "feed")
		if err := os.Mkdir(feed, 0o700); err != nil {
			t.Fatal(err)
		}
		writeBulk(t, feed, 3, 8000)
		whole := loadSummary(t, filepath.Join(dir, "whole.db"), feed)
		if database == "" {
			database = filepath.Join(dir, "killed.db")
		}
		for n := range 6 {
			c := exec.Command(os.Args[0], "load", feed)
			c.Env = append(os.Environ(), asCommand+"=1", "PLUMBLINE_DATABASE="+database)
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Duration(40+60*n) * time.Millisecond)
			_ = c.Process.Kill()
			_ = c.Wait()
		}
		got := loadSummary(t, database, feed)
		if sum := got.Accepted + got.Unchanged; sum != whole.Accepted || got.Rows != whole.Rows || got.Waiting != 0 {
			t.Errorf("after kills %+v, undisturbed %+v", got, whole)
		}
		again := loadSummary(t, database, feed)
		if again.Unchanged != whole.Accepted {
			t.Errorf("loaded again %+v", again)
		}
		a, b := setsOf(t, filepath.Join(dir, "whole.db")), setsOf(t, database)
		if d := cmp.Diff(a, b); d != "" || !strings.Contains(a, "systolic_drop") {
			t.Errorf("undisturbed (-) and killed (+) differ:\n%s", d)
		}
	})
}

// asCommand makes the test binary the program itself.
const asCommand = "PLUMBLINE_TEST_AS_COMMAND"

type loadCounts struct{ Rows, Accepted, Unchanged, Waiting int }

func runCommand(t *testing.T, database string, args ...string) string {
	t.Helper()
	var out, log bytes.Buffer
	env := func(name string) string {
		if name == "PLUMBLINE_DATABASE" {
			return database
		}
		return ""
	}
	if code := Run(context.Background(), args, env, nil, &out, &log); code != 0 {
		t.Fatalf("%v: exit %d: %s", args, code, log.String())
	}
	return out.String()
}

func loadSummary(t *testing.T, database, feed string) (c loadCounts) {
	t.Helper()
	if err := json.Unmarshal([]byte(runCommand(t, database, "load", "--format", "json", feed)), &c); err != nil {
		t.Fatal(err)
	}
	return c
}

func setsOf(t *testing.T, database string) string {
	return runCommand(t, database, "sets", "--stay", "S7", "--format", "json", "--as-of", "2026-03-20T00:00:00Z")
}

// writeBulk writes a feed of files with rows of readings of a hundred stays.
func writeBulk(t testing.TB, feed string, files, rows int) {
	t.Helper()
	start := time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)
	var b bytes.Buffer
	b.WriteString("stay_id,patient_id,unit,admitted_at\n")
	for n := range 100 {
		fmt.Fprintf(&b, "S%d,P%d,4W,%s\n", n, n, start.Format(time.RFC3339))
	}
	write := func(name string) {
		if err := os.WriteFile(filepath.Join(feed, name), b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		b.Reset()
	}
	write("stays.csv")
	for f := range files {
		b.WriteString("source_id,stay_id,taken_at,systolic,diastolic,heart_rate,position,minutes_in_position,limb\n")
		for n := range rows {
			position, minutes, drop := "lying", 5, 0
			if n%300 >= 100 {
				position, minutes, drop = "standing", 1, n%31
			}
			at := start.Add(time.Duration(f*rows/300+n/300)*time.Hour + time.Duration(n%300/100)*time.Minute)
			fmt.Fprintf(&b, "v%d-%d,S%d,%s,%d,%d,%d,%s,%d,left arm\n", f, n, n%100, at.Format(time.RFC3339), 130-drop, 80, 70, position, minutes)
		}
		write(fmt.Sprintf("vitals-%d.csv", f))
	}
}
