package store

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// takenHere is a message from the bedside with one reading, which is queued for a way to the record.
func takenHere(id, stay string, h float64, fact clinical.Version) records.Delivery {
	fact.Feed, fact.File = clinical.BedsideFeed, clinical.BedsideFeed
	m := records.Message{Feed: clinical.BedsideFeed, ID: id, Sum: id, StayID: stay, Who: "ann", ReceivedAt: hours(h)}
	return records.Delivery{
		How: m.Feed, At: m.ReceivedAt, Message: &m, Facts: []clinical.Version{fact},
		Queue: func(s records.Sending) []records.Outgoing {
			key := records.VersionKey(fact.Kind, fact.SourceID)
			body := fmt.Sprintf("%s of %s %s, earlier %v", id, s.Stay.PatientID, s.Performer.Value, s.Earlier[key] != nil)
			return []records.Outgoing{{Channel: "mllp", Thing: fact.SourceID, Version: s.Versions[key], Body: []byte(body)}}
		},
	}
}

func take(t *testing.T, s *Store, d records.Delivery) error {
	t.Helper()
	_, err := s.Take(t.Context(), d, func(b records.Batch) error {
		for _, v := range d.Facts {
			if err := b.Put(v); err != nil {
				return err
			}
		}
		return nil
	})
	return err
}

func numbered(list []records.Outgoing) string {
	var out []string
	for _, o := range list {
		out = append(out, fmt.Sprintf("%s/%d", o.Thing, o.Version))
	}
	return strings.Join(out, " ")
}

func TestWhatIsTakenHereIsQueuedWithItsFacts(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, in("stays.csv", stay("S", "4W", -5), stay("T", "4W", -5)))
		must(t, take(t, s, takenHere("m1", "S", 1, vitals("a", "S", 1, 120))))
		must(t, take(t, s, takenHere("m1", "S", 1, vitals("a", "S", 1, 120)))) // sent again: stored once
		must(t, take(t, s, takenHere("m2", "S", 2, recordedAt(vitals("a", "S", 1, 130), 2))))
		must(t, take(t, s, takenHere("m3", "T", 3, vitals("b", "T", 3, 110))))
		must(t, take(t, s, takenHere("m4", "U", 3, vitals("c", "U", 3, 110)))) // a stay that nobody knows
		all := get(s.Unsent(t.Context(), 10))(t)
		if got, want := numbered(all), "a/1 a/2 b/1"; got != want {
			t.Fatalf("queued: %s, want %s", got, want)
		}
		want := records.Outgoing{
			Number: all[0].Number, Channel: "mllp", Thing: "a", Version: 1, Unit: "4W", StayID: "S", PatientID: "PS",
			Body: []byte("m1 of PS , earlier false"), QueuedAt: hours(1), NextAt: hours(1), State: records.SendWaits,
		}
		if diff := cmp.Diff(want, all[0]); diff != "" {
			t.Error(diff)
		}
		if string(all[1].Body) != "m2 of PS , earlier true" {
			t.Errorf("the correction: %s", all[1].Body)
		}
		// What fails leaves neither facts nor a message.
		d := takenHere("m5", "S", 4, vitals("d", "S", 4, 110))
		_, err := s.Take(t.Context(), d, func(records.Batch) error { return errors.New("no") })
		if err == nil || len(get(s.OutgoingOf(t.Context(), "S"))(t)) != 2 {
			t.Errorf("a delivery that failed was queued: %v", err)
		}
		one, two := get(s.Installation(t.Context()))(t), get(s.Installation(t.Context()))(t)
		if one != two || len(one) != 36 {
			t.Errorf("the installation is %q, then %q", one, two)
		}
	})
}

func TestTheOutboxKeepsTheOrderOfEachPatientAlone(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		load(t, s, in("stays.csv", stay("S", "4W", -5), stay("T", "4W", -5)))
		for n, v := range []clinical.Version{
			vitals("a", "S", 1, 120), vitals("b", "T", 1, 120), vitals("c", "S", 1, 120), recordedAt(vitals("a", "S", 1, 130), 2),
		} {
			must(t, take(t, s, takenHere(fmt.Sprint("m", n), v.StayID, 1+float64(n)/10, v)))
		}
		due := func(at float64, want string) []records.Outgoing {
			t.Helper()
			list := get(s.DueOutgoing(ctx, "mllp", hours(at), 10))(t)
			if got := numbered(list); got != want {
				t.Errorf("due at hour %v: %q, want %q", at, got, want)
			}
			return list
		}
		due(0.7, "")
		first := due(5, "a/1 b/1")
		if len(get(s.DueOutgoing(ctx, "fhir", hours(5), 10))(t)) != 0 {
			t.Error("another way has what is queued for this one")
		}
		end := func(o records.Outgoing, state records.SendState, next time.Time) {
			t.Helper()
			o.State, o.NextAt, o.Answer = state, next, "AE: no"
			if state != records.SendWaits {
				o.DoneAt = hours(5)
			}
			must(t, s.Tried(ctx, o, hours(5)))
		}
		end(first[1], records.SendWaits, hours(5.2)) // b is tried again later, and holds up nobody else
		due(5, "a/1")
		due(6, "a/1 b/1")
		end(first[0], records.SendRefused, hours(5)) // a is refused: its correction waits for it, c does not
		end(due(5, "c/1")[0], records.SendSent, hours(5))
		due(5, "")
		end(first[0], records.SendSent, hours(5)) // it has come to its end: a late answer changes nothing
		states := get(s.OutboxStates(ctx))(t)
		want := []records.OutboxState{
			{Channel: "mllp", Waiting: 2, Refused: 1, Oldest: hours(1.1), LastSent: hours(5), Trouble: "AE: no"},
		}
		if diff := cmp.Diff(want, states); diff != "" {
			t.Error(diff)
		}
		if n := get(s.RetryOutgoing(ctx, 0, hours(5)))(t); n != 3 {
			t.Errorf("%d are sent again, want 3", n)
		}
		again := due(5, "a/1 b/1")
		if again[0].Attempts != 1 || !again[0].TriedAt.Equal(hours(5)) {
			t.Errorf("tried: %+v", again[0])
		}
		end(again[0], records.SendSent, hours(5))
		due(5, "b/1 a/2")
	})
}

func TestWhatWasTakenHereAndWhenTheRecordTookIt(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		load(t, s, in("stays.csv", stay("S", "4W", -5)), in("vitals.csv", vitals("c", "S", 1, 110), recordedAt(vitals("a", "S", 1, 150), 9)))
		must(t, take(t, s, takenHere("m1", "S", 1, vitals("a", "S", 1, 120))))
		must(t, take(t, s, takenHere("m2", "S", 2, recordedAt(vitals("a", "S", 1, 130), 2))))
		o := get(s.DueOutgoing(ctx, "mllp", hours(3), 10))(t)[0]
		o.State, o.DoneAt, o.NextAt = records.SendSent, hours(3), hours(3)
		must(t, s.Tried(ctx, o, hours(3)))
		here := get(s.TakenHere(ctx, []string{"a", "c", "none"}))(t)
		a := here["a"]
		if len(here) != 1 || a.Kind != clinical.KindVitals || len(a.Versions) != 2 || !a.Versions[1].RecordedAt.Equal(hours(2)) {
			t.Fatalf("taken here: %+v", here)
		}
		if diff := cmp.Diff(map[int64]time.Time{hours(1).UnixMicro(): hours(3)}, a.TakenAt); diff != "" {
			t.Error(diff)
		}
		for by, want := range map[float64]string{1.9: "", 2: "a/2"} {
			if got := numbered(get(s.LateOutgoing(ctx, "4W", hours(by)))(t)); got != want {
				t.Errorf("late by hour %v: %q, want %q", by, got, want)
			}
		}
		// A clock that was set back by an hour holds nothing up.
		if got := numbered(get(s.DueOutgoing(ctx, "mllp", hours(1), 10))(t)); got != "a/2" {
			t.Errorf("due after the clock was set back: %q", got)
		}
	})
}
