//go:build linux

package app

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"plumbline/internal/drill"
)

// server is a PostgreSQL server of a test's own, which it may stop and start: as that of
// scripts/with-postgres.sh, but that it keeps what it has committed.
type server struct {
	bin, data string
	disk      string // its own, where it has one
	port      string
	as        *syscall.SysProcAttr
	cmd       *exec.Cmd
	log       *os.File
}

// newServer makes and starts one; the test is skipped where there is no PostgreSQL to be tested with.
func newServer(t *testing.T) *server { return newServerOn(t, 0) }

// newServerOn makes one whose disk has room for so many megabytes; 0: that of the machine.
func newServerOn(t *testing.T, megabytes int) *server {
	t.Helper()
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if path, err := exec.LookPath("initdb"); err == nil && len(found) == 0 {
		found = []string{path}
	}
	if len(found) == 0 || os.Getenv("PLUMBLINE_TEST_POSTGRES") == "" {
		t.Skip("needs the programs of a PostgreSQL server: run `make test`")
	}
	slices.Sort(found)
	dir, err := os.MkdirTemp("", "plumbline-server-") // t.TempDir is closed to other users
	if err != nil {
		t.Fatal(err)
	}
	s := &server{
		bin: filepath.Dir(found[len(found)-1]), data: filepath.Join(dir, "data"),
		port: freeAddress(t)[len("127.0.0.1:"):], as: &syscall.SysProcAttr{Pdeathsig: syscall.SIGINT},
	}
	t.Cleanup(func() { s.stop(t); _ = s.log.Close(); _ = os.RemoveAll(dir) })
	if megabytes > 0 {
		s.disk = filepath.Join(dir, "disk")
		s.data = filepath.Join(s.disk, "data")
		smallDisk(t, s.disk, megabytes)
	}
	if s.log, err = os.Create(filepath.Join(dir, "log")); err != nil {
		t.Fatal(err)
	}
	if os.Getuid() == 0 { // the server refuses to run as root
		who := must(user.Lookup("nobody"))(t)
		uid, gid := must(strconv.Atoi(who.Uid))(t), must(strconv.Atoi(who.Gid))(t)
		s.as.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
		for _, of := range slices.DeleteFunc([]string{dir, s.disk}, func(of string) bool { return of == "" }) {
			if err := os.Chown(of, uid, gid); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := s.program("initdb", "--pgdata="+s.data, "--username=plumbline", "--auth=trust", "--no-sync", "--encoding=UTF8",
		"--locale-provider=icu", "--icu-locale=en-US").Run(); err != nil {
		t.Fatalf("initdb: %v; %s", err, s.said())
	}
	s.start(t)
	return s
}

func (s *server) program(name string, args ...string) *exec.Cmd {
	c := exec.Command(filepath.Join(s.bin, name), args...)
	c.Dir, c.SysProcAttr, c.Stdout, c.Stderr = "/", s.as, s.log, s.log
	c.Env = append(os.Environ(), "LC_ALL=C.UTF-8")
	return c
}

func (s *server) said() string { text, _ := os.ReadFile(s.log.Name()); return string(text) }

// url names its database.
func (s *server) url() string {
	return "postgres://plumbline@127.0.0.1:" + s.port + "/postgres?sslmode=disable"
}

func (s *server) start(t *testing.T) {
	t.Helper()
	s.cmd = s.program("postgres", "-D", s.data, "-p", s.port, "-c", "listen_addresses=127.0.0.1",
		"-c", "unix_socket_directories=", "-c", "fsync=off")
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	within(t, "PostgreSQL answers", func() bool { var one int; return asked(s.url(), "SELECT 1", &one) == nil })
}

// stop ends the server at once, its connections with it, as pg_ctl stop -m immediate does.
func (s *server) stop(t *testing.T) {
	t.Helper()
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Signal(syscall.SIGQUIT)
	_ = s.cmd.Wait()
	s.cmd = nil
}

// smallDisk is a disk with room for so many megabytes; the test is skipped where none can be made.
func smallDisk(t *testing.T, path string, megabytes int) {
	t.Helper()
	if err := os.Mkdir(path, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", path, "tmpfs", 0, fmt.Sprintf("size=%dm,mode=0700", megabytes)); err != nil {
		t.Skipf("a disk of its own needs the rights of root: %v", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(path, unix.MNT_DETACH) })
}

// fill leaves its disk room for no more than so many bytes.
func (s *server) fill(t *testing.T, room int64) {
	t.Helper()
	var now unix.Statfs_t
	if err := unix.Statfs(s.disk, &now); err != nil {
		t.Fatal(err)
	}
	bytes := int64(now.Bavail)*now.Bsize - room
	for f := must(os.Create(filepath.Join(s.disk, "filler")))(t); bytes > 0; bytes -= 1 << 16 { // to its end, whoever else is writing
		if _, err := f.Write(make([]byte, min(bytes, 1<<16))); err != nil {
			_ = f.Close()
			return
		}
	}
}

// empty makes room again. The server ends where its log found none: whoever looks after it starts it again.
func (s *server) empty(t *testing.T) {
	t.Helper()
	if err := os.Remove(filepath.Join(s.disk, "filler")); err != nil {
		t.Fatal(err)
	}
	var one int
	for until := time.Now().Add(2 * time.Second); time.Now().Before(until); time.Sleep(50 * time.Millisecond) {
		if asked(s.url(), "SELECT 1", &one) == nil {
			return
		}
	}
	s.stop(t)
	s.start(t)
}

// cut ends all connections but the one that asks.
func (s *server) cut() {
	var ended int
	_ = asked(s.url(), `SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity
		WHERE datname = current_database() AND pid <> pg_backend_pid()`, &ended)
}

// TestDrillPostgresWhoseDiskIsFull fills the disk of PostgreSQL while the folder and messages are taken in, and makes room.
func TestDrillPostgresWhoseDiskIsFull(t *testing.T) {
	drill.Only(t)
	s := newServerOn(t, 250)
	w := newWard(t, 8)
	w.sendAll(t)
	want := w.end(t, filepath.Join(t.TempDir(), "undisturbed.db"))
	w.acked.Store(0)
	w.pace = 300 * time.Millisecond
	i := startInstance(t, w.settings(s.url(), "3s")...)
	i.readyAgain(t)
	s.fill(t, 0)
	i.notReady(t)
	w.unanswered(t, w.messages[0])
	s.empty(t)
	i.readyAgain(t)
	stop := w.sendAll(t)
	defer stop()
	random := rand.New(rand.NewPCG(w.random.Uint64(), 5))
	const times = 25
	for range times {
		s.fill(t, random.Int64N(2<<20))
		time.Sleep(time.Duration(random.IntN(1500)) * time.Millisecond)
		s.empty(t)
		time.Sleep(time.Duration(random.IntN(300)) * time.Millisecond)
	}
	i.readyAgain(t)
	t.Logf("%d of %d messages were answered by then", w.acked.Load(), len(w.messages))
	within(t, "everything is read and answered without a start", func() bool { return w.done(s.url()) })
	i.kill()
	if d := cmp.Diff(strings.Split(want, "\n"), strings.Split(w.end(t, s.url()), "\n")); d != "" {
		t.Errorf("undisturbed (-) and full (+) differ:\n%.4000s", d)
	}
}

// TestAServerThatStopsLosesNothing stops PostgreSQL and cuts its connections while the folder and messages
// are taken in.
func TestAServerThatStopsLosesNothing(t *testing.T) {
	drill.Long(t)
	serverStops(t, 1, 3, 1)
}

func TestDrillPostgresThatStops(t *testing.T) {
	drill.Only(t)
	serverStops(t, 25, 8, 6)
}

func serverStops(t *testing.T, stops, cuts, scale int) {
	s := newServer(t)
	w := newWard(t, scale)
	w.sendAll(t)
	want := w.end(t, filepath.Join(t.TempDir(), "undisturbed.db"))
	w.acked.Store(0)
	w.pace = 40 * time.Millisecond
	i := startInstance(t, w.settings(s.url(), "3s")...)
	stop := w.sendAll(t)
	defer stop()
	random := func(most int) { time.Sleep(time.Duration(w.random.IntN(most)) * time.Millisecond) }
	var away time.Duration
	for range stops {
		for range cuts {
			random(300)
			s.cut()
		}
		random(700)
		s.stop(t)
		if code, body := get(t, i.url+"/readyz"); code != http.StatusServiceUnavailable || !strings.Contains(body, "not ready") {
			t.Errorf("with PostgreSQL stopped: %d %s", code, body)
		}
		if code, _ := get(t, i.url+"/healthz"); code != http.StatusOK {
			t.Errorf("the process is said to be broken: %d", code)
		}
		random(500)
		s.start(t)
		back := time.Now()
		i.readyAgain(t)
		away = max(away, time.Since(back))
	}
	t.Logf("ready again at most %v after PostgreSQL was back, after %d stops; %d of %d messages were answered by then",
		away.Round(10*time.Millisecond), stops, w.acked.Load(), len(w.messages))
	within(t, "everything is read and answered without a start", func() bool { return w.done(s.url()) })
	i.kill()
	if d := cmp.Diff(strings.Split(want, "\n"), strings.Split(w.end(t, s.url()), "\n")); d != "" {
		t.Errorf("undisturbed (-) and stopped (+) differ:\n%.4000s", d)
	}
}
