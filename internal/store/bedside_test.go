package store

import (
	"context"
	"fmt"
	"sync"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func bedsideSet(id, stay, sum string) records.Message {
	return records.Message{Feed: "bedside", ID: id, StayID: stay, Who: "nurse", ReceivedAt: hours(1), Sum: sum, Body: []byte(`{"set_id":"` + id + `"}`)}
}

func recordSet(ctx context.Context, s *Store, m records.Message, facts []clinical.Version) (records.Taken, error) {
	return s.Take(ctx, records.Delivery{How: LoadBedside, At: m.ReceivedAt, Message: &m}, file{versions: facts}.read)
}

func bedsideFacts(id, stay string) []clinical.Version {
	var out []clinical.Version
	for n, v := range []clinical.Version{vitals("bedside-"+id+"-base", stay, .9, 142), vitals("bedside-"+id+"-first", stay, .95, 108)} {
		v.RecordedAt, v.Stated, v.Feed, v.File, v.Line = hours(1), true, "bedside", "bedside", n+1
		out = append(out, v)
	}
	return out
}

// A set is stored once, however often and by how many at once it is sent; other
// content under its number is refused and changes nothing.
func TestASetIsStoredOnce(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		if landed := get(s.LastLanded(ctx))(t); !landed.IsZero() {
			t.Errorf("facts came %s to an empty database", landed)
		}
		load(t, s, in("stays.csv", stay("S1", "4W", 0)))
		before, state := get(s.DataState(ctx))(t), revision(t, s, "S1")
		var wg sync.WaitGroup
		fresh := make(chan bool, 8)
		for range cap(fresh) {
			wg.Go(func() {
				taken, err := recordSet(ctx, s, bedsideSet("A", "S1", "one"), bedsideFacts("A", "S1"))
				kept := taken.Message
				if err != nil || kept.ID != "A" || kept.Who != "nurse" || !kept.ReceivedAt.Equal(hours(1)) {
					t.Errorf("%+v, %v", kept, err)
				}
				fresh <- !taken.Repeated
			})
		}
		wg.Wait()
		close(fresh)
		n := 0
		for f := range fresh {
			if f {
				n++
			}
		}
		facts := get(s.Versions(ctx, []string{"S1"}))(t)["S1"]
		if n != 1 || len(facts) != 3 {
			t.Errorf("%d were the first, %d facts of the stay, want its own and two readings", n, len(facts))
		}
		if get(s.DataState(ctx))(t) == before || revision(t, s, "S1") == state {
			t.Error("the data has the state that it had before")
		}
		if landed := get(s.LastLanded(ctx))(t); !landed.Equal(hours(1)) {
			t.Errorf("facts last came %s, want %s", landed, hours(1))
		}
		if v := lastOf(facts, "bedside-A-first"); v.Feed != "bedside" || !v.RecordedAt.Equal(hours(1)) || v.Line != 2 {
			t.Errorf("the fact reads %+v", v)
		}
		for _, other := range []records.Message{bedsideSet("A", "S1", "two"), bedsideSet("A", "S2", "one")} {
			if _, err := recordSet(ctx, s, other, bedsideFacts("A", "S1")); clinical.CodeOf(err) != clinical.Conflict {
				t.Errorf("other content under the same number: %v", err)
			}
		}
		if got := get(s.Versions(ctx, []string{"S1"}))(t)["S1"]; len(got) != 3 {
			t.Errorf("%d facts after what was refused", len(got))
		}
		if ends := list(t, s, "SELECT how || ' ' || CAST(rows AS TEXT) || ' ' || coalesce(summary, 'open') FROM loads ORDER BY id"); len(ends) != 2 {
			t.Errorf("loads: %q", ends)
		}
	})
}

// A set whose facts cannot be stored leaves nothing.
func TestASetThatFailsLeavesNothing(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		broken := bedsideFacts("A", "S1")
		broken[1].Body = clinical.Fall{}
		if _, err := recordSet(t.Context(), s, bedsideSet("A", "S1", "one"), broken); err == nil {
			t.Fatal("a fact of another kind was stored")
		}
		if got := fmt.Sprint(list(t, s, "SELECT id FROM feed_messages"), list(t, s, "SELECT source_id FROM fact_versions"), list(t, s, "SELECT how FROM loads")); got != "[] [] []" {
			t.Errorf("left: %s", got)
		}
	})
}

// A set says nothing of how the feeds do.
func TestASetIsNoLoadOfAFeed(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		load(t, s, in("stays.csv", stay("S1", "4W", 0)))
		before := get(s.Feeds(ctx))(t)
		_, err := recordSet(ctx, s, bedsideSet("A", "S1", "one"), bedsideFacts("A", "S1"))
		must(t, err)
		after := get(s.Feeds(ctx))(t)
		if after.LastLoad == nil || after.LastLoad.ID != before.LastLoad.ID || len(after.Files) != len(before.Files) {
			t.Errorf("the last load of the feeds is %+v, was %+v", after.LastLoad, before.LastLoad)
		}
		if got, err := s.Message(ctx, "bedside", "A"); err != nil || string(got.Body) != `{"set_id":"A"}` || got.Sum != "one" {
			t.Errorf("%+v, %v", got, err)
		}
		for _, of := range [][2]string{{"other", "A"}, {"bedside", "B"}} {
			if _, err := s.Message(ctx, of[0], of[1]); clinical.CodeOf(err) != clinical.NotFound {
				t.Errorf("a set of %v: %v", of, err)
			}
		}
	})
}
