package store

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// A puzzle is an invented feed whose facts are composed: what is said of a visit gives a
// stay, and single values of one visit and minute give one reading. A value whose visit is
// not known waits; one of a visit that makes no stay ("out") is skipped.
const puzzleFeed = "puzzle"

type piece struct {
	Visit, Unit, Patient string // of a visit; Unit "out": it makes no stay
	Systolic, Diastolic  float64
	Minute               int
	Removed              bool
}

func puzzlePart(id string, hour float64, file string, line int, p piece) records.Part {
	body, _ := json.Marshal(p)
	out := records.Part{
		Feed: puzzleFeed, ID: id, RecordedAt: at(hour), File: file, Line: line, Kind: clinical.KindVitals, Body: body,
		Topics: []records.Topic{{Name: fmt.Sprintf("reading %s %d", p.Visit, p.Minute)}},
	}
	if p.Unit != "" {
		out.Kind = clinical.KindStay
		out.Topics = []records.Topic{{Name: "visit " + p.Visit, Says: fmt.Sprint("stay ", p.Unit != "out")}}
	}
	return out
}

func at(hour float64) time.Time {
	return noon.Add(-48 * time.Hour).Add(time.Duration(hour * float64(time.Hour)))
}

func pieceOf(p records.Part) (out piece) {
	_ = json.Unmarshal(p.Body, &out)
	return out
}

func composePuzzle(topic string, look records.Look) (records.Composed, error) {
	mine, err := look(topic)
	if err != nil {
		return records.Composed{}, err
	}
	slices.SortStableFunc(mine, func(a, b records.Part) int { return a.RecordedAt.Compare(b.RecordedAt) })
	if visit, is := strings.CutPrefix(topic, "visit "); is {
		return composeVisit(visit, mine), nil
	}
	return composeReading(topic, mine, look)
}

// composeVisit: the last part of each moment says what the stay is.
func composeVisit(visit string, mine []records.Part) (out records.Composed) {
	out.Ends = map[string]records.End{}
	for n, p := range mine {
		if n+1 < len(mine) && mine[n+1].RecordedAt.Equal(p.RecordedAt) {
			continue
		}
		said := pieceOf(p)
		if said.Unit == "out" {
			out.Ends[p.ID] = records.PartSkipped
			continue
		}
		delete(out.Ends, p.ID)
		out.Versions = append(out.Versions, clinical.Version{
			Kind: clinical.KindStay, SourceID: visit, StayID: visit, RecordedAt: p.RecordedAt, Status: clinical.Final, File: p.File, Line: p.Line,
			Body: clinical.Stay{PatientID: said.Patient, Unit: said.Unit, AdmittedAt: at(0)},
		})
	}
	return out
}

// composeReading joins the values of one visit and minute, as known at each moment.
func composeReading(topic string, mine []records.Part, look records.Look) (out records.Composed, err error) {
	name := strings.Fields(topic)
	visit, err := look("visit " + name[1])
	if err != nil {
		return out, err
	}
	stays := len(visit) > 0 && pieceOf(visit[len(visit)-1]).Unit != "out"
	out.Ends = map[string]records.End{}
	for _, p := range mine {
		switch {
		case len(visit) == 0:
			out.Ends[p.ID] = records.PartWaits
		case !stays:
			out.Ends[p.ID] = records.PartSkipped
		}
	}
	if !stays {
		return out, nil
	}
	known := map[string]records.Part{}
	for n, p := range mine {
		known[p.ID] = p
		if n+1 < len(mine) && mine[n+1].RecordedAt.Equal(p.RecordedAt) {
			continue
		}
		v := clinical.Version{
			Kind: clinical.KindVitals, SourceID: topic, StayID: name[1], RecordedAt: p.RecordedAt,
			Status: clinical.Final, File: p.File, Line: p.Line,
		}
		body := clinical.Vitals{TakenAt: at(1)}
		for _, k := range known {
			if said := pieceOf(k); k.Topics[0].Name == topic && !said.Removed {
				if said.Systolic > 0 {
					body.Systolic = &said.Systolic
				}
				if said.Diastolic > 0 {
					body.Diastolic = &said.Diastolic
				}
			}
		}
		v.Body = body
		if body.Systolic == nil && body.Diastolic == nil {
			v.Status = clinical.EnteredInError
		}
		out.Versions = append(out.Versions, v)
	}
	return out, nil
}

func TestAReadingIsComposedOfItsParts(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		got := load(t, s, file{name: "a", parts: []records.Part{
			puzzlePart("sys", 1, "a", 1, piece{Visit: "V", Systolic: 142}),
			puzzlePart("dia", 2, "a", 2, piece{Visit: "V", Diastolic: 78}),
		}})
		endsAre(t, "before the visit is known", got, records.Counts{Rows: 2, Waiting: 2})
		if named := waitOf(t, s, 0); named[0].SourceID != "sys" || named[0].Line != 1 {
			t.Errorf("what waits is named as %+v", named)
		}
		got = load(t, s, file{name: "b", parts: []records.Part{puzzlePart("visit", 0, "b", 1, piece{Visit: "V", Unit: "4W", Patient: "P"})}})
		endsAre(t, "with the visit", got, records.Counts{Rows: 1, Accepted: 1})
		if w := get(s.Waiting(t.Context()))(t); len(w) != 0 {
			t.Errorf("%v waits still", w)
		}
		want := []string{"142/- at 1", "142/78 at 2"}
		if diff := cmp.Diff(want, pressures(t, s, "V")); diff != "" {
			t.Errorf("readings (-want +got):\n%s", diff)
		}

		got = load(t, s, file{name: "c", parts: []records.Part{
			puzzlePart("sys", 3, "c", 1, piece{Visit: "V", Systolic: 124}),  // a correction
			puzzlePart("dia", 2, "c", 2, piece{Visit: "V", Diastolic: 78}),  // held already
			puzzlePart("sys", 0.5, "c", 3, piece{Visit: "V", Systolic: 99}), // an older version
			puzzlePart("o", 1, "c", 4, piece{Visit: "O", Unit: "out"}),
			puzzlePart("of o", 1, "c", 5, piece{Visit: "O", Systolic: 120}),
		}})
		endsAre(t, "a correction", got, records.Counts{Rows: 5, Accepted: 1, Unchanged: 1, Superseded: 1, Skipped: 2})
		want = []string{"99/- at 0.5", "142/- at 1", "142/78 at 2", "124/78 at 3"}
		if diff := cmp.Diff(want, pressures(t, s, "V")); diff != "" {
			t.Errorf("readings after the correction (-want +got):\n%s", diff)
		}

		// The systolic value was of another patient: the old reading loses it, the new one has it.
		load(t, s, file{name: "d", parts: []records.Part{
			puzzlePart("sys", 4, "d", 1, piece{Visit: "W", Systolic: 124}),
			puzzlePart("visit w", 0, "d", 2, piece{Visit: "W", Unit: "4W", Patient: "Q"}),
		}})
		want = append(want, "-/78 at 4")
		if diff := cmp.Diff(want, pressures(t, s, "V")); diff != "" {
			t.Errorf("the old reading (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff([]string{"124/- at 4"}, pressures(t, s, "W")[3:]); diff != "" {
			t.Errorf("the new reading (-want +got):\n%s", diff)
		}
	})
}

// endsAre compares the counts of a load.
func endsAre(t *testing.T, step string, got, want records.Counts) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", step, diff)
	}
}

// pressures are the versions of the readings of a stay.
func pressures(t *testing.T, s *Store, stay string) (out []string) {
	t.Helper()
	for _, v := range get(s.Versions(t.Context(), []string{stay}))(t)[stay] {
		b, ok := v.Body.(clinical.Vitals)
		if !ok {
			continue
		}
		text := func(f *float64) string {
			if f == nil {
				return "-"
			}
			return fmt.Sprint(*f)
		}
		out = append(out, fmt.Sprintf("%s/%s at %g", text(b.Systolic), text(b.Diastolic), v.RecordedAt.Sub(at(0)).Hours()))
	}
	return out
}

func piecesGen(t *rapid.T) (out []records.Part) {
	visit := rapid.SampledFrom([]string{"V", "W"})
	for n := range rapid.IntRange(1, 12).Draw(t, "pieces") {
		p := piece{Visit: visit.Draw(t, "visit"), Minute: rapid.IntRange(0, 1).Draw(t, "minute")}
		id := rapid.SampledFrom([]string{"sys", "dia", "visit"}).Draw(t, "id")
		switch id {
		case "sys":
			p.Systolic = float64(rapid.IntRange(100, 102).Draw(t, "systolic"))
			p.Removed = rapid.Bool().Draw(t, "removed")
		case "dia":
			p.Diastolic = float64(rapid.IntRange(60, 61).Draw(t, "diastolic"))
		case "visit":
			p.Unit = rapid.SampledFrom([]string{"4W", "5W", "out"}).Draw(t, "unit")
			p.Patient, p.Minute = "P", 0
			id += " " + p.Visit
		}
		hour := float64(rapid.IntRange(0, 4).Draw(t, "hour"))
		// A file says one thing of a part and moment: reading a half of it again is no reading.
		next := puzzlePart(id, hour, rapid.SampledFrom([]string{"a", "b"}).Draw(t, "file"), n+1, p)
		if !slices.ContainsFunc(out, func(p records.Part) bool {
			return p.ID == next.ID && p.RecordedAt.Equal(next.RecordedAt) && p.File == next.File
		}) {
			out = append(out, next)
		}
	}
	return out
}

// Any order, any repetition and any split of the same parts ends in one state.
func TestWhatIsComposedDoesNotDependOnHowThePartsCame(t *testing.T) {
	defer chunksOf(3)()
	defer func(p, k, n int) { chunkParts, chunkTopics, keptParts = p, k, n }(chunkParts, chunkTopics, keptParts)
	chunkParts, chunkTopics, keptParts = 3, 2, 4
	forEachEngine(t, func(t *testing.T, s *Store) {
		rapid.Check(t, func(rt *rapid.T) {
			all := piecesGen(rt)
			wipe(t, s)
			load(t, s, file{name: "all", parts: all})
			want, wantEnds := stateOf(t, s), partStates(t, s)

			wipe(t, s)
			again := rapid.IntRange(0, len(all)).Draw(rt, "repeated")
			shuffled := rapid.Permutation(append(slices.Clone(all), all[:again]...)).Draw(rt, "order")
			for len(shuffled) > 0 {
				n := rapid.IntRange(1, len(shuffled)).Draw(rt, "parts of a file")
				got := load(t, s, file{name: fmt.Sprint("file ", n), parts: shuffled[:n]})
				sum := got.Accepted + got.Unchanged + got.Superseded + got.Waiting + got.Skipped + got.Held
				if got.Rows != n || sum != n {
					rt.Fatalf("of %d parts %d are counted, with %d ends: %+v", n, got.Rows, sum, got)
				}
				shuffled = shuffled[n:]
			}
			agree(rt, "the state", want, stateOf(t, s))
			agree(rt, "what became of the parts", wantEnds, partStates(t, s))
		})
	})
}

func partStates(t *testing.T, s *Store) []string {
	return list(t, s, "SELECT part_id || ' ' || CAST(recorded_at AS TEXT) || ' ' || state FROM feed_parts p WHERE "+lastPart+
		" ORDER BY part_id, recorded_at, state")
}
