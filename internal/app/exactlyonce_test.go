package app

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/drill"
)

// ward is a feed by folder and by MLLP, whose end is the same whatever breaks on the way.
type ward struct {
	feed     string
	mllp     string // address
	messages []string
	pace     time.Duration // between two messages; they come all the while that something breaks
	random   *rand.Rand
	acked    atomic.Int64
}

func newWard(t *testing.T, scale int) *ward {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	t.Logf("instants are drawn by %d", seed)
	w := &ward{feed: filepath.Join(t.TempDir(), "feed"), mllp: freeAddress(t), random: rand.New(rand.NewPCG(seed, 1))}
	if err := os.Mkdir(w.feed, 0o700); err != nil {
		t.Fatal(err)
	}
	writeBulk(t, w.feed, 3, 700*scale)
	w.write(t, "weights-1.csv", "source_id,stay_id,measured_at,weight,recorded_at,status\n"+
		"w1,S1,2026-03-02T07:00:00Z,70,2026-03-02T07:05:00Z,\nw1,S2,2026-03-02T07:00:00Z,71,2026-03-02T08:00:00Z,corrected\n"+
		"w2,S1,no time,70,,\nw3,S9999,2026-03-02T07:00:00Z,70,,\nw4,S1,2026-03-02T07:00:00Z,heavy,,\n")
	var b, n bytes.Buffer
	for i := range 20 * scale {
		b.WriteString(adt("A01", fmt.Sprint("f", i), fmt.Sprint("F", i), i) + "\n")
		_, _ = fmt.Fprintf(&n, `{"resourceType":"Encounter","id":"e%d","status":"in-progress","class":{"code":"IMP"},`+
			`"subject":{"reference":"Patient/p"},"period":{"start":"2026-03-01T07:00:00Z"}}`+"\n", i)
	}
	w.write(t, "adt.hl7", b.String())
	w.write(t, "encounters.ndjson", n.String())
	for i := range 30 * scale {
		stay := fmt.Sprint("M", i/3)
		switch i % 3 {
		case 0:
			w.messages = append(w.messages, adt("A01", fmt.Sprint(i), stay, i))
		case 1:
			w.messages = append(w.messages, oru(fmt.Sprint(i), stay, i, "mm[Hg]"))
		default:
			w.messages = append(w.messages, oru(fmt.Sprint(i), stay, i, "")) // no unit: held
		}
	}
	return w
}

func (w *ward) write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(w.feed, name), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func hl7Time(minutes int) string {
	return time.Date(2026, 3, 2, 0, minutes, 0, 0, time.UTC).Format("20060102150405") + "+0000"
}

func adt(event, control, stay string, n int) string {
	return fmt.Sprintf("MSH|^~\\&|A|B|C|D|%s||ADT^%s|%s|P|2.5\rPID|||P%s^^^^MR\rPV1||I|4W^12^A%s%s%s%s", hl7Time(n), event, control, stay,
		strings.Repeat("|", 16), stay, strings.Repeat("|", 25), hl7Time(0))
}

func oru(control, stay string, n int, unit string) string {
	return fmt.Sprintf("MSH|^~\\&|A|B|C|D|%s||ORU^R01|%s|P|2.5\rPID|||P%s^^^^MR\rPV1||I|%s%s\rOBR|1||o%d|x|||%s\r"+
		"OBX|1|NM|8480-6^^LN||120|%s|||||F\rOBX|2|NM|8462-4^^LN||80|%s|||||F", hl7Time(n), control, stay,
		strings.Repeat("|", 16), stay, n, hl7Time(n), unit, unit)
}

// send sends every message until it is answered, again and again where it is not, and loses every
// fifth answer.
func (w *ward) send(ctx context.Context, lost *rand.Rand) {
	for n, text := range w.messages {
		for ctx.Err() == nil && !w.sent(text, lost.IntN(5) == 0) {
			time.Sleep(5 * time.Millisecond)
		}
		time.Sleep(w.pace)
		w.acked.Store(int64(n + 1))
	}
}

// sent sends a message once, and reports whether it was answered AA or AE.
func (w *ward) sent(text string, lose bool) bool {
	c, err := net.DialTimeout("tcp", w.mllp, time.Second)
	if err != nil {
		return false
	}
	defer func() { _ = c.Close() }()
	_ = c.SetDeadline(time.Now().Add(time.Minute))
	if _, err := io.WriteString(c, "\x0b"+text+"\x1c\r"); err != nil || lose {
		return false
	}
	answer, err := bufio.NewReader(c).ReadString(0x1c)
	return err == nil && (strings.Contains(answer, "MSA|AA") || strings.Contains(answer, "MSA|AE"))
}

// settings are those of an instance that takes all of it in.
func (w *ward) settings(database, lease string) []string {
	return []string{
		"PLUMBLINE_DATABASE=" + database, "PLUMBLINE_FEED_DIR=" + w.feed, "PLUMBLINE_FEED_EVERY=@every 1s",
		"PLUMBLINE_FEED_SETTLE=0s", "PLUMBLINE_MLLP_LISTEN=" + w.mllp, shortLease + "=" + lease,
	}
}

// end is the state that a database comes to once nothing breaks any more.
func (w *ward) end(t *testing.T, database string) string {
	t.Helper()
	i := startInstance(t, w.settings(database, "3s")...)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("%d are answered; the last instance says: %.8000s", w.acked.Load(), i.log)
		}
	})
	within(t, "everything is read and answered", func() bool { return w.done(database) })
	i.readyAgain(t) // the lease may still hold the last words of an instance that was killed in trouble
	i.kill()
	return stateOf(t, database)
}

// done reports whether every file is read and every message answered.
func (w *ward) done(database string) bool {
	files, err := os.ReadDir(w.feed)
	var read int
	if err == nil {
		err = asked(database, "SELECT count(*) FROM feed_files WHERE size IS NOT NULL AND error = ''", &read)
	}
	return err == nil && read == len(files) && w.acked.Load() == int64(len(w.messages))
}

func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func opened(database string) (*sql.DB, error) {
	if strings.Contains(database, "://") {
		return sql.Open("pgx", database)
	}
	return sql.Open("sqlite", database)
}

// asked asks a database for one row.
func asked(database, query string, into ...any) error {
	db, err := opened(database)
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	return db.QueryRow(query).Scan(into...)
}

// stateOf is all that a database holds of facts, held rows and messages, without what differs from
// one reading to the next, and the digests that follow from it.
func stateOf(t *testing.T, database string) string {
	t.Helper()
	db := must(opened(database))(t)
	defer func() { _ = db.Close() }()
	var lines []string
	for _, query := range []string{
		"SELECT kind, source_id, stay_id, patient_id, recorded_at, status, coalesce(body, ''), feed, file, line FROM fact_versions",
		"SELECT kind, source_id, status, reason, feed, file, line, '', '', '' FROM quarantined_rows",
		"SELECT feed, id, sum, '', '', '', '', '', '', '' FROM feed_messages",
		"SELECT 'files', count(*), sum(rows), sum(quarantined), '', '', '', '', '', '' FROM feed_files",
		"SELECT 'parts', feed, count(*), '', '', '', '', '', '', '' FROM feed_parts GROUP BY feed",
	} {
		rows, err := db.Query(query)
		if err != nil {
			t.Fatal(err)
		}
		for rows.Next() {
			var c [10]string
			if err := rows.Scan(&c[0], &c[1], &c[2], &c[3], &c[4], &c[5], &c[6], &c[7], &c[8], &c[9]); err != nil {
				t.Fatal(err)
			}
			lines = append(lines, strings.Join(c[:], " "))
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			t.Fatal(err)
		}
	}
	slices.Sort(lines)
	list := runCommand(t, database, "assess", "--unit", "4W", "--format", "json", "--as-of", "2026-03-20T00:00:00Z")
	return strings.Join(lines, "\n") + "\n" + list
}

// disturbed kills the program so often, at instants drawn at random, while it loads, reads the folder
// and takes messages, and compares what comes of it with what comes of nothing breaking.
func disturbed(t *testing.T, kills, scale int) {
	w := newWard(t, scale)
	undisturbed := filepath.Join(t.TempDir(), "undisturbed.db")
	w.sendAll(t)
	want := w.end(t, undisturbed)
	if !strings.Contains(want, `"rank"`) || !strings.Contains(want, "no unit") || strings.Count(want, "vitals v") != 3*700*scale {
		t.Fatalf("the undisturbed end is not that of the feed: %.2000s", want)
	}
	eachEngine(t, func(t *testing.T, database string) {
		if database == "" {
			database = filepath.Join(t.TempDir(), "killed.db")
		}
		w.acked.Store(0)
		w.pace = 60 * time.Millisecond
		stop := w.sendAll(t)
		defer stop()
		for n := range kills {
			w.breakOnce(t, database, n)
		}
		t.Logf("%d of %d messages were answered before the last kill", w.acked.Load(), len(w.messages))
		if d := cmp.Diff(strings.Split(want, "\n"), strings.Split(w.end(t, database), "\n")); d != "" {
			t.Errorf("undisturbed (-) and killed (+) differ:\n%.4000s", d)
		}
	})
}

// sendAll begins to send all messages.
func (w *ward) sendAll(t *testing.T) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	lost := rand.New(rand.NewPCG(w.random.Uint64(), 2))
	go func() { defer close(done); w.send(ctx, lost) }()
	return func() { cancel(); <-done }
}

// listens waits until messages are taken, or so long.
func (w *ward) listens(limit time.Duration) {
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if c, err := net.Dial("tcp", w.mllp); err == nil {
			_ = c.Close()
			return
		}
	}
}

// breakOnce starts the program, breaks something while it works, and kills it.
func (w *ward) breakOnce(t *testing.T, database string, n int) {
	t.Helper()
	args := []string{"serve", "--listen", "127.0.0.1:0"}
	if n%4 == 3 {
		args = []string{"load", w.feed}
	}
	c := exec.Command(os.Args[0], args...)
	c.Env = append(append(os.Environ(), asCommand+"=1"), w.settings(database, "400ms")...)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	if n%4 < 2 { // half of them while it takes messages
		w.listens(patience / 6)
	}
	time.Sleep(time.Duration(w.random.IntN(700)) * time.Millisecond)
	if n%3 == 1 && strings.Contains(database, "://") { // the connections are cut first
		var cut int
		_ = asked(database, `SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity
			WHERE datname = current_database() AND pid <> pg_backend_pid()`, &cut)
		time.Sleep(time.Duration(w.random.IntN(300)) * time.Millisecond)
	}
	_ = c.Process.Kill()
	_ = c.Wait()
}

func TestWhateverIsKilledNothingIsLostOrDoubled(t *testing.T) {
	drill.Long(t)
	disturbed(t, 10, 1)
}
