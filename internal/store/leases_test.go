package store

import (
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func TestALeaseIsOneInstances(t *testing.T) {
	for _, engine := range []string{SQLite, Postgres} {
		t.Run(engine, func(t *testing.T) { oneOfTwo(t, migrated(t, engine)) })
	}
}

func oneOfTwo(t *testing.T, target string) {
	s, other := openTarget(t, target), openTarget(t, target)
	take := func(of *Store, owner string) records.Lease {
		t.Helper()
		l, err := of.TakeLease(t.Context(), "feeds", owner, time.Minute, records.FeedsSaid{Trouble: "said by " + owner})
		must(t, err)
		return l
	}
	a := take(s, "a")
	if !a.Mine || !a.Running || a.Owner != "a" {
		t.Errorf("nobody has it, and it is not had: %+v", a)
	}
	if b := take(other, "b"); b.Mine || !b.Running || b.Owner == "b" {
		t.Errorf("two have it: %+v", b)
	}
	if again := take(s, "a"); !again.Mine || again.Fence != a.Fence || !again.TakenAt.Equal(a.TakenAt) {
		t.Errorf("put off: %+v, want as %+v", again, a)
	}
	must(t, s.EndLease(t.Context(), "feeds", "a"))
	if b := take(other, "b"); !b.Mine {
		t.Errorf("given back, and not taken: %+v", b)
	}
	must(t, other.EndLease(t.Context(), "feeds", "b"))
}

// Who has lost the lease, and does not know it yet, commits nothing.
func TestNothingIsWrittenUnderALeaseThatAnotherHas(t *testing.T) {
	s := openStore(t, Postgres)
	take := func(owner string) records.Lease {
		t.Helper()
		l, err := s.TakeLease(t.Context(), "feeds", owner, 50*time.Millisecond, records.FeedsSaid{Trouble: "said by " + owner})
		must(t, err)
		return l
	}
	a := take("a")
	write := func(under records.Lease, name string) error {
		ctx := UnderLease(t.Context(), "feeds", under)
		id, err := s.BeginLoad(ctx, noon, "test")
		must(t, err)
		_, err = s.Take(ctx, fileIn(id, records.Mark{Name: name, Size: 1, ModTime: noon}), in(name, stay(name, "4W", 0)).read)
		return err
	}
	must(t, write(a, "S1"))
	must(t, s.write.Exec("UPDATE leases SET until = 0").Error)
	if b := take("b"); !b.Mine || b.Fence != a.Fence+1 || b.Said.Trouble != "said by b" {
		t.Fatalf("%+v", b)
	}
	if err := write(a, "S2"); clinical.CodeOf(err) != clinical.Unavailable {
		t.Errorf("written under a lease that another has: %v", err)
	}
	if len(versions(t, s, "S1")["S1"]) != 1 || len(versions(t, s, "S2")["S2"]) != 0 {
		t.Error("what was written under a lease that another has is there, or what was not is gone")
	}
	// A clock of the database that was set back leaves an end that no lease can have.
	must(t, s.write.Exec("UPDATE leases SET until = until + 3600000000").Error)
	if c := take("c"); !c.Mine {
		t.Errorf("a lease of the future keeps all out: %+v", c)
	}
}
