package audit

import (
	"bytes"
	"fmt"
	"plumbline/internal/records"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var epoch = time.Date(2026, 11, 20, 7, 0, 0, 0, time.UTC)

// chain makes n linked entries.
func chain(n int) []records.AuditEntry {
	out := make([]records.AuditEntry, n)
	prev := Genesis()
	for i := range out {
		out[i] = records.AuditEntry{N: int64(i + 1), At: epoch.Add(time.Duration(i) * time.Minute), Who: "nurse", From: "10.0.0.7", Did: View, What: "GET /stays/:stay",
			Unit: "4W", Stay: fmt.Sprint("S", i), Outcome: "200"}
		out[i].Hash = Link(prev, out[i])
		prev = out[i].Hash
	}
	return out
}

func headOf(entries []records.AuditEntry) Head {
	if len(entries) == 0 {
		return Head{Hash: Genesis()}
	}
	last := entries[len(entries)-1]
	return Head{last.N, last.Hash}
}

func verify(entries []records.AuditEntry, kept Head, witness *Head) error {
	v := NewVerifier(witness)
	for _, e := range entries {
		if err := v.Add(e); err != nil {
			return err
		}
	}
	return v.End(kept)
}

func TestAnUntouchedChainHolds(t *testing.T) {
	for n := range 5 {
		entries := chain(n)
		for w := range n + 1 {
			witness := headOf(entries[:w])
			if err := verify(entries, headOf(entries), &witness); err != nil {
				t.Errorf("%d entries, witness %d: %v", n, w, err)
			}
		}
	}
}

func TestEveryKindOfTamperingShows(t *testing.T) {
	cases := []struct {
		name   string
		tamper func([]records.AuditEntry) []records.AuditEntry
		want   string
	}{
		{"one removed from the middle", func(e []records.AuditEntry) []records.AuditEntry { return slices.Delete(e, 2, 3) }, "entry 3: is missing; the next one is 4"},
		{"the first removed", func(e []records.AuditEntry) []records.AuditEntry { return e[1:] }, "entry 1: is missing; the next one is 2"},
		{"the last removed", func(e []records.AuditEntry) []records.AuditEntry { return e[:4] }, "entry 5: to 5 are missing from the end"},
		{"all removed", func([]records.AuditEntry) []records.AuditEntry { return nil }, "entry 1: to 5 are missing from the end"},
		{"removed and numbered anew", func(e []records.AuditEntry) []records.AuditEntry {
			e = slices.Delete(e, 2, 3)
			for n := range e {
				e[n].N = int64(n + 1)
			}
			return e
		}, "entry 3: was changed"},
		{"two swapped", func(e []records.AuditEntry) []records.AuditEntry { e[1], e[2] = e[2], e[1]; return e }, "entry 2: is missing; the next one is 3"},
		{"one put in at the end", func(e []records.AuditEntry) []records.AuditEntry {
			more := records.AuditEntry{N: 6, At: epoch, Who: "x"}
			more.Hash = Link(e[4].Hash, more)
			return append(e, more)
		}, "entry 6: is not where the chain was left"},
		{"the end written anew", func(e []records.AuditEntry) []records.AuditEntry {
			e[4].Who = "x"
			e[4].Hash = Link(e[3].Hash, e[4])
			return e
		}, "entry 5: is not where the chain was left"},
	}
	for _, c := range cases {
		entries := chain(5)
		kept := headOf(entries)
		err := verify(c.tamper(slices.Clone(entries)), kept, nil)
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}

// Whoever may write to the database may write a whole new chain with its head: only
// a head kept elsewhere shows it.
func TestAWitnessShowsAChainWrittenAnew(t *testing.T) {
	noted := headOf(chain(5)[:3])
	anew := chain(6)
	prev := Genesis()
	for n := range anew {
		anew[n].Who = "somebody else"
		anew[n].Hash = Link(prev, anew[n])
		prev = anew[n].Hash
	}
	if err := verify(anew, headOf(anew), nil); err != nil {
		t.Errorf("without a witness it cannot show: %v", err)
	}
	if err := verify(anew, headOf(anew), &noted); err == nil || !strings.Contains(err.Error(), "entry 3: is not the one that was noted") {
		t.Errorf("with a witness: %v", err)
	}
	if err := verify(anew[:2], headOf(anew[:2]), &noted); err == nil || !strings.Contains(err.Error(), "the noted head lies beyond the end") {
		t.Errorf("cut before the witness: %v", err)
	}
}

// Every field is under the hash, and none runs into the next.
func TestEveryFieldIsUnderTheHash(t *testing.T) {
	base := records.AuditEntry{N: 7, At: epoch, Who: "a", From: "b", Did: "c", What: "d", Unit: "e", Stay: "f", AsOf: epoch.Add(-time.Hour), Outcome: "g", Note: "h"}
	change := []func(*records.AuditEntry){
		func(e *records.AuditEntry) { e.N++ }, func(e *records.AuditEntry) { e.At = e.At.Add(time.Microsecond) }, func(e *records.AuditEntry) { e.Who += "x" }, func(e *records.AuditEntry) { e.From += "x" },
		func(e *records.AuditEntry) { e.Did += "x" }, func(e *records.AuditEntry) { e.What += "x" }, func(e *records.AuditEntry) { e.Unit += "x" }, func(e *records.AuditEntry) { e.Stay += "x" },
		func(e *records.AuditEntry) { e.AsOf = time.Time{} }, func(e *records.AuditEntry) { e.AsOf = time.UnixMicro(0) }, func(e *records.AuditEntry) { e.Outcome += "x" }, func(e *records.AuditEntry) { e.Note += "x" },
		func(e *records.AuditEntry) { e.Who, e.From = "ab", "" }, func(e *records.AuditEntry) { e.Outcome, e.Note = "", "gh" },
	}
	seen := map[string]int{string(Link(Genesis(), base)): -1, string(Link(bytes.Repeat([]byte{1}, HashSize), base)): -2}
	for n, c := range change {
		e := base
		c(&e)
		h := string(Link(Genesis(), e))
		if other, ok := seen[h]; ok {
			t.Errorf("changes %d and %d hash alike", n, other)
		}
		seen[h] = n
	}
}

func TestHeadsAreWrittenAndRead(t *testing.T) {
	h := headOf(chain(3))
	back, err := ParseHead(h.String())
	if err != nil || back.N != 3 || !bytes.Equal(back.Hash, h.Hash) {
		t.Errorf("%v %v", back, err)
	}
	for _, bad := range []string{"", "3", "3:", "3:zz", "x:" + h.String(), "3:00ff", "-1" + h.String()[1:]} {
		if _, err := ParseHead(bad); err == nil {
			t.Errorf("%q was read", bad)
		}
	}
}

// Any change of any stored entry shows, wherever it is made.
func TestAnyChangeShows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entries := chain(rapid.IntRange(1, 12).Draw(t, "entries"))
		kept := headOf(entries)
		n := rapid.IntRange(0, len(entries)-1).Draw(t, "which")
		switch rapid.IntRange(0, 3).Draw(t, "how") {
		case 0:
			entries[n].Who += "x"
		case 1:
			entries[n].Hash = slices.Clone(entries[n].Hash)
			entries[n].Hash[rapid.IntRange(0, HashSize-1).Draw(t, "byte")] ^= 1
		case 2:
			entries = slices.Delete(entries, n, n+1)
		case 3:
			entries = slices.Insert(entries, n, entries[n])
		}
		if verify(entries, kept, nil) == nil {
			t.Fatal("it did not show")
		}
	})
}
