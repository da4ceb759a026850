package app

import (
	"bufio"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/internal/drill"
	"plumbline/internal/testdb"
	"plumbline/internal/testdb/teststore"
)

// shortLease makes the lease of the test binary a short one, so that a test need not wait.
const shortLease = "PLUMBLINE_TEST_SHORT_LEASE"

// instance is the program as a process of its own.
type instance struct {
	cmd *exec.Cmd
	url string
	log *output
}

// startInstance starts `serve` with settings beside those of the test, and waits until it serves.
func startInstance(t *testing.T, settings ...string) *instance {
	t.Helper()
	c := exec.Command(os.Args[0], "serve", "--listen", "127.0.0.1:0")
	c.Env = append(append(os.Environ(), asCommand+"=1"), settings...)
	out, err := c.StdoutPipe()
	i := &instance{cmd: c, log: &output{}}
	c.Stderr = i.log
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { i.kill() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if i.url = strings.TrimPrefix(strings.TrimSpace(line), "open "); err != nil {
		t.Fatalf("the instance does not start: %v\n%s", err, i.log)
	}
	i.url = strings.TrimSuffix(i.url, "/")
	return i
}

// kill is kill -9.
func (i *instance) kill() {
	_ = i.cmd.Process.Kill()
	_ = i.cmd.Wait()
}

// reads reports whether the instance says that it reads the feeds.
func (i *instance) reads(t *testing.T) bool {
	t.Helper()
	code, body := get(t, i.url+"/readyz")
	return code == http.StatusOK && strings.Contains(body, "this instance reads the feeds")
}

func TestOneOfSeveralInstancesReadsTheFeeds(t *testing.T) {
	t.Setenv(shortLease, "3s")
	severalInstances(t, 2, 30*time.Second)
}

// With the times of the lease as they are: half a minute at most.
func TestDrillTheLeaseGoesToAnotherWithinHalfAMinute(t *testing.T) {
	drill.Only(t)
	severalInstances(t, 3, 30*time.Second)
}

// severalInstances starts three on one database and one folder, kills the one that reads so often,
// and sees that each file was read once and by one.
func severalInstances(t *testing.T, kills int, limit time.Duration) {
	database, feed := testdb.Postgres(t), t.TempDir()
	settings := []string{
		"PLUMBLINE_DATABASE=" + database, "PLUMBLINE_FEED_DIR=" + feed, "PLUMBLINE_FEED_SETTLE=0s",
		"PLUMBLINE_FEED_EVERY=@every 3s", // five turns missed are a fault, and a busy machine may take seconds
	}
	all := make([]*instance, 3)
	all[0] = startInstance(t, settings...) // it migrates
	var starting sync.WaitGroup
	for n := 1; n < 3; n++ {
		starting.Go(func() { all[n] = startInstance(t, settings...) })
	}
	starting.Wait()
	files := 0
	add := func() {
		files++
		name := filepath.Join(feed, fmt.Sprintf("stays-%d.csv", files))
		rows := fmt.Sprintf("stay_id,patient_id,unit,admitted_at\nS%d,P,4W,2026-03-01T07:00:00Z\n", files)
		err := os.WriteFile(name+".part", []byte(rows), 0o600)
		if err == nil {
			err = os.Rename(name+".part", name)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	st := teststore.Open(t, database)
	readers := func() (n, who int) {
		for at, i := range all {
			if i.cmd.ProcessState == nil && i.reads(t) {
				n, who = n+1, at
			}
		}
		return n, who
	}
	for kill := range kills + 1 {
		add()
		within(t, "each file is read", func() bool { return teststore.Count(t, st, "fact_versions") == files })
		n, who := readers()
		if n != 1 {
			t.Fatalf("%d instances read the feeds after %d kills", n, kill)
		}
		for at, i := range all {
			if code, body := get(t, i.url+"/readyz"); code != http.StatusOK {
				said := i.log.String()
				t.Errorf("instance %d is not ready while instance %d reads: %d %s\n%s", at, who, code, body, said[max(0, len(said)-1500):])
			}
		}
		if kill == kills {
			break
		}
		all[who].kill()
		killed := time.Now()
		within(t, "another instance reads the feeds", func() bool { n, _ := readers(); return n == 1 })
		took := time.Since(killed)
		t.Logf("the lease moved in %v", took.Round(10*time.Millisecond))
		if took > limit {
			t.Errorf("the lease took %v to move, want %v at most", took, limit)
		}
		all[who] = startInstance(t, settings...)
	}
	// Each file was read once, by one.
	total := 0
	teststore.Ask(t, database, "SELECT coalesce(sum(files), 0) FROM loads WHERE how = 'schedule'", &total)
	if total != files {
		t.Errorf("%d files were read, want the %d once each", total, files)
	}
}
