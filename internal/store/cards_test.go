package store

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/internal/records"
)

func bodies(cards []records.Card) string {
	var list []string
	for _, c := range cards {
		list = append(list, fmt.Sprintf("%s=%s", c.Key, c.Body))
	}
	return strings.Join(list, " ")
}

func card(key, group, file, body string, at time.Time) records.Card {
	return records.Card{Feed: "fhir", Key: key, Group: group, At: at, File: file, Line: 1, Body: []byte(body)}
}

func TestCardsAreKeptByKeyAndMoment(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		keep := func(cards ...records.Card) {
			t.Helper()
			must(t, s.KeepCards(t.Context(), func(keep func(records.Card) error) error {
				for _, c := range cards {
					must(t, keep(c))
				}
				return nil
			}))
		}
		expect := func(keys, groups []string, want string) {
			t.Helper()
			if got := bodies(get(s.Cards(t.Context(), "fhir", keys, groups))(t)); got != want {
				t.Errorf("%v %v: %s, want %s", keys, groups, got, want)
			}
		}
		keep(card("a", "g", "b.json", "1", noon), card("b", "g", "b.json", "2", time.Time{}), card("a", "g", "b.json", "3", noon),
			card("a", "", "b.json", "4", hours(1)))
		expect([]string{"a", "x"}, nil, "a=3 a=4") // in one file the later one
		expect(nil, []string{"g"}, "a=3 b=2")
		expect([]string{"b"}, []string{"g"}, "b=2 a=3")
		expect(nil, []string{""}, "")
		keep(card("a", "g", "a.json", "5", noon)) // an earlier file, whenever it comes
		expect([]string{"a"}, nil, "a=3 a=4")
		keep(card("a", "h", "c.json", "6", noon))
		expect([]string{"a"}, []string{"g"}, "a=6 a=4 b=2")
		other := card("a", "", "c.json", "7", noon)
		other.Feed = "hl7"
		keep(other)
		expect([]string{"a"}, nil, "a=6 a=4")

		var many []records.Card
		for n := range 3 * cardsAtOnce {
			many = append(many, card(fmt.Sprint("m", n), "many", "m.json", "", noon))
		}
		keep(many...)
		if n := len(get(s.Cards(t.Context(), "fhir", nil, []string{"many"}))(t)); n != len(many) {
			t.Errorf("%d of %d", n, len(many))
		}

		broken := errors.New("is cut off")
		err := s.KeepCards(t.Context(), func(keep func(records.Card) error) error {
			must(t, keep(card("z", "", "z.json", "1", noon)))
			return broken
		})
		if !errors.Is(err, broken) {
			t.Errorf("%v", err)
		}
		expect([]string{"z"}, nil, "")
	})
}

// A stay that came with its earlier wards is one row.
func TestWhatARowSaysBesideIsNoRow(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		take := func(name string, size int64) records.Counts {
			id, err := s.BeginLoad(t.Context(), noon, "test")
			must(t, err)
			_, err = s.Take(t.Context(), fileIn(id, records.Mark{Name: name, Size: size}), func(b records.Batch) error {
				f := in(name, stay("S1", "3N", -9), stay("S1", "3E", -8), stay("S1", "4W", -7), vitals("V1", "S1", 0, 120), vitals("V1", "S9", 0, 120))
				v := f.versions
				must(t, b.Beside(v[0]))
				must(t, b.Put(v[2]))
				must(t, b.Beside(v[1]))
				must(t, b.Beside(v[2])) // said by the row already
				must(t, b.Beside(v[3]))
				must(t, b.Put(v[3])) // and now a row of its own
				must(t, b.Beside(recordedAt(v[4], 1)))
				return b.Skip("csv", "")
			})
			must(t, err)
			return get(s.FinishLoad(t.Context(), id, noon))(t)
		}
		defer func(was int) { chunkRows = was }(chunkRows)
		chunkRows = 2 // so that what is beside is stored before its row comes
		first, again := take("a", 1), take("a", 2)
		if got, want := ends(first), "3 rows: 1 accepted, 0 unchanged, 1 superseded, 0 waiting, 0 quarantined"; got != want || first.Skipped != 1 {
			t.Errorf("%s, want %s", got, want)
		}
		if got, want := ends(again), "3 rows: 0 accepted, 2 unchanged, 0 superseded, 0 waiting, 0 quarantined"; got != want || again.Skipped != 1 {
			t.Errorf("%s, want %s", got, want)
		}
	})
}
