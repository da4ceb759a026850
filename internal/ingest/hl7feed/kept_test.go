package hl7feed_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/testdb/teststore"
)

// A message of many values that cannot be used is not kept once for each: beyond a megabyte they are one
// row, which is read again as a whole.
func TestAMessageOfManyBadValuesIsKeptOnce(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		text := func(unit string, n int) string {
			lines := []string{"OBR|1||O7|VS|||20261125070000"}
			for k := range n {
				lines = append(lines, obx(k+1, "29463-7^W^LN", "70", unit, fmt.Sprintf("F|||202611250%d%02d00", 1+k/60, k%60)))
			}
			return oru("2", "250705", append(lines, obx(n+1, "29463-7^W^LN", "71", "kg", "F|||20261125070000"))...) + "\r"
		}
		d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")) + "\r")
		// Each takes 40 bytes here, so that 20 of them are kept 20 times, and 300 once.
		few, many := text("", 20), text("", 300)
		if got := d.load(few); !strings.HasPrefix(got, "21 rows: 1 accepted") || !strings.Contains(got, "20 quarantined") {
			t.Errorf("few: %s", got)
		}
		if got := d.load(many); !strings.HasPrefix(got, "2 rows: 1 accepted") || !strings.Contains(got, "no unit (and 299 more of this message cannot be used)") {
			t.Errorf("many: %s", got)
		}
		bytes := 0
		held, err := d.db.AllHeld(t.Context())
		for _, h := range held {
			bytes += len(h.Original)
		}
		if err != nil || len(held) != 21 || bytes != 20*len(strings.TrimSpace(few))+len(strings.TrimSpace(many)) {
			t.Errorf("%v: %d rows take %d bytes", err, len(held), bytes)
		}
		// Put right, all of it is taken, and what was taken before stays as it was.
		var id int64
		for _, h := range held {
			if len(h.Context) == 0 {
				id = h.ID
			}
		}
		s, reason, err := d.Fix(t.Context(), id, nil, []byte(text("kg", 300)), "somebody")
		if err != nil || reason != "" || s.Accepted != 300 || s.Unchanged != 1 {
			t.Errorf("put right: %+v, %q, %v", s.Counts, reason, err)
		}
	})
}

// The byte that ends a message is not among those that are kept of it: read again, it is cut off still,
// until somebody gives the whole of it.
func TestAMessageCutOffStaysHeld(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
		whole := oru("2", "250705", "OBR|1||O7|VS|||20261125070000", obx(1, "8480-6^S^LN", "142", "mmHg", "F|||20261125070045"))
		d.load("\x0b" + whole[:len(whole)-3])
		for range 2 {
			s, err := d.Retry(t.Context())
			if err != nil || s.Held != 1 || s.Rows != 1 {
				t.Fatalf("read again: %+v, %v", s.Counts, err)
			}
		}
		held, err := d.db.AllHeld(t.Context())
		if err != nil || len(held) != 1 || held[0].Reason != "the message is cut off: the byte that ends it is missing" {
			t.Fatalf("held: %+v, %v", held, err)
		}
		s, reason, err := d.Fix(t.Context(), held[0].ID, nil, []byte(whole), "somebody")
		if err != nil || reason != "" || s.Accepted != 1 {
			t.Errorf("put right: %+v, %q, %v", s.Counts, reason, err)
		}
	})
}

// What was held as a whole for a reason that no longer holds is read as a whole.
func TestAMessageHeldAsAWholeIsReadAsOne(t *testing.T) {
	d := newDesk(t, teststore.Empty(t))
	d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
	text := oru("2", "250705", "OBR|1||O7|VS|||20261125070000", obx(1, "8480-6^S^LN", "142", "mmHg", "F"))
	d.load(strings.Replace(text, "ORU^R01", "", 1))
	held, err := d.db.AllHeld(t.Context())
	if err != nil || len(held) != 1 {
		t.Fatalf("held: %+v, %v", held, err)
	}
	s, reason, err := d.Fix(t.Context(), held[0].ID, held[0].Context, []byte(text), "somebody")
	if err != nil || reason != "" || s.Accepted != 1 {
		t.Errorf("put right: %+v, %q, %v", s.Counts, reason, err)
	}
}

// Nothing tells a last value from one that was cut off: it is read, and the file is named.
func TestALastLineWithoutItsEndIsNamed(t *testing.T) {
	stay := adt("A01", "1", "240800", pv("I", "4W^12^A"))
	reading := oru("2", "250705", "OBR|1||O7|VS|||20261125070000", obx(1, "8480-6^S^LN", "142", "mmHg", "F|||20261125070045"))
	for name, c := range map[string]struct {
		text string
		want int
	}{
		"whole":             {stay + reading, 0},
		"cut off":           {stay + reading[:len(reading)-3], 1},
		"within its header": {stay + strings.TrimSpace(msg("SIU^S12", "3", "250705")), 1},
		"held as cut off":   {stay + "\x0b" + reading[:len(reading)-3], 0},
		"ended by MLLP":     {stay + "\x0b" + strings.TrimSpace(reading) + "\x1c", 0},
		"a batch":           {"BHS|^~\\&\r" + stay + "BTS|1", 0},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t, teststore.Empty(t))
			path := filepath.Join(t.TempDir(), "a.hl7")
			if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
			s, err := d.Load(t.Context(), []string{path}, "test")
			if err != nil || len(s.Notices) != c.want {
				t.Errorf("notices: %+v (%v), want %d", s.Notices, err, c.want)
			}
		})
	}
}

// A merge that is taken back by its reverse: from then on all is the first patient's again, in whatever order
// the messages come.
func TestAMergeIsTakenBackByItsReverse(t *testing.T) {
	merge := func(control, sent, to, from string) string {
		return msg("ADT^A40", control, sent, "EVN|A40|202611"+sent, "PID|1||"+to+"^^^H^MR", "MRG|"+from+"^^^H^MR")
	}
	messages := []string{
		adt("A01", "1", "240800", pv("I", "4W^12^A")), merge("2", "250100", "66", "77"), merge("3", "250200", "77", "66"),
		msg("ORU^R01", "10", "250505", "PID|1||66^^^H^MR", "OBR|1||O7|VS|||20261125050000", obx(1, "8480-6^S^LN", "142", "mmHg", "F")),
	}
	for range 4 {
		d := newDesk(t, teststore.Empty(t))
		for _, n := range rand.Perm(len(messages)) { //nolint:gosec // only an order
			d.load(messages[n])
		}
		for hour, want := range map[int]string{0: "77", 1: "66", 2: "77", 5: "77"} {
			if chart := d.chart("V1", time.Date(2026, 11, 25, hour, 30, 0, 0, time.UTC)); !strings.HasPrefix(chart, "stays V1 final: "+want+" ") {
				t.Errorf("at %d:30: %s, want patient %s", hour, chart, want)
			}
		}
		if chart := d.chart("V1", now); !strings.Contains(chart, "vitals O7/1/") {
			t.Errorf("the reading is not of the stay: %s", chart)
		}
	}
}

// What stands before the first message of a file, as where its beginning was cut off, is held, and the rest read.
func TestWhatStandsBeforeTheFirstMessageIsHeld(t *testing.T) {
	d := newDesk(t, teststore.Empty(t))
	got := d.load("OBX|2|NM|8462-4^S^LN||78|mm[Hg]|||||F\rmore\r" + adt("A01", "1", "240800", pv("I", "4W^12^A")))
	if !strings.HasPrefix(got, "2 rows: 1 accepted") || !strings.Contains(got, "1 quarantined") {
		t.Errorf("loaded: %s", got)
	}
	for head, want := range map[string]bool{"a,b\r\n": false, "{\"MSH|\": 1}": false, "x\nMSH|^~": true, "x\nMSHA": false} {
		if (hl7feed.Reader{}).Sniff("a.hl7", []byte(head)) != want || (hl7feed.Reader{}).Sniff("a.csv", []byte(head)) {
			t.Errorf("%q: want %v in a .hl7 file, and false in a .csv", head, want)
		}
	}
}

// An identity that is too long for a database to find it again is held, wherever it stands.
func TestIdentitiesThatAreTooLongAreHeld(t *testing.T) {
	long := strings.Repeat("x", 501)
	eachEngine(t, func(t *testing.T, d desk) {
		d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")) + "\r")
		for n, text := range []string{
			oru("2", "250705", "OBR|1||"+long+"|VS|||20261125070000", obx(1, "8480-6^S^LN", "142", "mm[Hg]", "F")),
			oru(long, "250705", "OBR|1||||||20261125070000", obx(1, "8480-6^S^LN", "142", "mm[Hg]", "F")),
			msg("ADT^A01", "3", "250705", "PID|1||"+long+"^^^H^MR", "PV1|1|"+pv("I", "4W")),
			msg("RDE^O11", "4", "250705", "PID|1||77^^^H^MR", "PV1|1|"+pv("I", "4W"), "ORC|NW|"+long, "RXE||C03CA01^Furosemide^ATC|40||mg"),
		} {
			if got := d.load(text + "\r"); !strings.HasPrefix(got, "1 rows: 0 accepted") ||
				!strings.Contains(got, "1 quarantined") || !strings.Contains(got, "an identity is longer than 500 bytes") {
				t.Errorf("%d: %s", n, got)
			}
		}
		// What is made of it and a time has room beyond that.
		if got := d.load(oru("5", "250705", "OBR|1||"+long[1:]+"|VS|||20261125070000", obx(1, "8480-6^S^LN", "142", "mm[Hg]", "F"))); !strings.Contains(got, "1 accepted") {
			t.Errorf("500 bytes: %s", got)
		}
	})
}
