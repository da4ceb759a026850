//go:build linux

package app

import (
	"bufio"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"plumbline/internal/drill"
)

// roomFor lets the files of a running program be no longer than so many bytes: to it, the disk is full
// (getrlimit(2), RLIMIT_FSIZE; a write beyond fails with EFBIG, which SQLite takes as a disk error).
func (i *instance) roomFor(t *testing.T, bytes uint64) {
	t.Helper()
	limit := unix.Rlimit{Cur: bytes, Max: unix.RLIM_INFINITY}
	if err := unix.Prlimit(i.cmd.Process.Pid, unix.RLIMIT_FSIZE, &limit, nil); err != nil {
		t.Fatal(err)
	}
}

// notReady waits until the program says that it is not ready because of its database, with what to do.
func (i *instance) notReady(t *testing.T) {
	t.Helper()
	within(t, "a database that cannot be written is told", func() bool {
		code, body := get(t, i.url+"/readyz")
		return code == http.StatusServiceUnavailable && strings.Contains(body, "check that its server or its file is there, that its disk has room")
	})
}

func (i *instance) readyAgain(t *testing.T) {
	t.Helper()
	within(t, "it is ready again by itself", func() bool { code, _ := get(t, i.url+"/readyz"); return code == http.StatusOK })
}

// unanswered sends a message that cannot be stored: the connection ends without an answer.
func (w *ward) unanswered(t *testing.T, text string) {
	t.Helper()
	c, err := net.Dial("tcp", w.mllp)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	_ = c.SetDeadline(time.Now().Add(patience))
	if _, err := io.WriteString(c, "\x0b"+text+"\x1c\r"); err != nil {
		t.Fatal(err)
	}
	if answer, err := bufio.NewReader(c).ReadString(0x1c); err == nil {
		t.Errorf("a message that could not be stored is answered %q", answer)
	}
}

// TestAFullDiskLosesNothing fills the disk while the folder and messages are taken in, and makes room.
func TestAFullDiskLosesNothing(t *testing.T) {
	drill.Long(t)
	diskFull(t, 1, 1)
}

// frozen makes the files of a database such that nobody can write them, or lifts that: what a disk that
// was remounted to be read only does to a running program.
func frozen(t *testing.T, database, how string) {
	t.Helper()
	files := must(filepath.Glob(database + "*"))(t)
	if out, err := exec.Command("chattr", append([]string{how}, files...)...).CombinedOutput(); err != nil {
		t.Skipf("no file can be frozen here: %s", out)
	}
}

// TestADatabaseThatMayOnlyBeReadIsTold has the files of the database refuse what is written to them.
func TestADatabaseThatMayOnlyBeReadIsTold(t *testing.T) {
	drill.Long(t)
	dir, err := os.MkdirTemp("/var/tmp", "plumbline-frozen-") // on a disk: files in memory are written on by whoever has them open
	if err != nil {
		t.Fatal(err)
	}
	w := newWard(t, 1)
	database := filepath.Join(dir, "read-only.db")
	t.Cleanup(func() { frozen(t, database, "-i"); _ = os.RemoveAll(dir) })
	i := startInstance(t, w.settings(database, "3s")...)
	i.readyAgain(t)
	frozen(t, database, "+i")
	w.write(t, "weights-2.csv", "source_id,stay_id,measured_at,weight\nlate,S1,2026-03-02T07:00:00Z,70\n")
	i.notReady(t)
	w.unanswered(t, w.messages[0])
	var out output
	again := exec.Command(os.Args[0], "serve", "--listen", "127.0.0.1:0")
	again.Env, again.Stderr = append(append(os.Environ(), asCommand+"=1"), w.settings(database, "3s")...), &out
	if err := again.Run(); err == nil || !strings.Contains(out.String(), "check that") {
		t.Errorf("a start on it ends with %v and %s", err, &out)
	}
	frozen(t, database, "-i")
	i.readyAgain(t)
	within(t, "the late file is read", func() bool {
		var n int
		return asked(database, "SELECT count(*) FROM fact_versions WHERE source_id = 'late'", &n) == nil && n == 1
	})
}

func TestDrillDisksThatAreFull(t *testing.T) {
	drill.Only(t)
	diskFull(t, 50, 4)
}

func diskFull(t *testing.T, times, scale int) {
	w := newWard(t, scale)
	w.sendAll(t)
	want := w.end(t, filepath.Join(t.TempDir(), "undisturbed.db"))

	w.acked.Store(0)
	database, full := filepath.Join(t.TempDir(), "full.db"), w.feed
	aside := full + "-aside"
	if err := os.Rename(full, aside); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(full, 0o700); err != nil {
		t.Fatal(err)
	}
	i := startInstance(t, w.settings(database, "3s")...)
	i.readyAgain(t)
	i.roomFor(t, 16<<10)
	for _, file := range must(os.ReadDir(aside))(t) {
		if err := os.Rename(filepath.Join(aside, file.Name()), filepath.Join(full, file.Name())); err != nil {
			t.Fatal(err)
		}
	}
	i.notReady(t)
	w.unanswered(t, w.messages[0])
	var facts int
	if err := asked(database, "SELECT count(*) FROM fact_versions", &facts); err != nil || facts != 0 {
		t.Errorf("%d facts are stored on a full disk, %v", facts, err)
	}
	if code, _ := get(t, i.url+"/healthz"); code != http.StatusOK {
		t.Errorf("the process is said to be broken: %d", code)
	}
	i.roomFor(t, unix.RLIM_INFINITY)
	i.readyAgain(t)
	stop := w.sendAll(t)
	defer stop()
	random := rand.New(rand.NewPCG(w.random.Uint64(), 3))
	for range times - 1 { // at once, and with room for some of it
		i.roomFor(t, uint64(random.IntN(1<<21)))
		time.Sleep(time.Duration(random.IntN(600)) * time.Millisecond)
		i.roomFor(t, unix.RLIM_INFINITY)
		time.Sleep(time.Duration(random.IntN(200)) * time.Millisecond)
	}
	i.readyAgain(t)
	i.kill()
	if d := cmp.Diff(strings.Split(want, "\n"), strings.Split(w.end(t, database), "\n")); d != "" {
		t.Errorf("undisturbed (-) and full (+) differ:\n%.4000s", d)
	}
	t.Logf("the disk was full %d times", times)
}
