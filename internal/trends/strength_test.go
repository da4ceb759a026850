package trends

import (
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

// The order of readings of one moment, whatever order the chart lists them in:
// the lower position first, in one position by source_id.
func TestReadingsOfOneMomentStandByPositionThenById(t *testing.T) {
	for _, c := range []struct{ charted, want string }{
		{"a sitting, b lying", "b a"},
		{"a standing, b sitting", "b a"},
		{"a standing, b lying", "b a"},
		{"b sitting, a sitting", "a b"},
		{"c standing, b lying, a standing, d lying", "b d a c"},
	} {
		chart := clinical.Chart{AsOf: noon}
		for _, r := range strings.Split(c.charted, ", ") {
			id, position, _ := strings.Cut(r, " ")
			chart.Records = append(chart.Records, clinical.Record{
				Version: clinical.Version{SourceID: id, Body: clinical.Vitals{TakenAt: noon, Position: clinical.Position(position)}},
			})
		}
		var got []string
		for _, r := range readingsOf(chart, clinical.DefaultPolicy().Plausible) {
			got = append(got, r.SourceID)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %v, want %s", c.charted, got, c.want)
		}
	}
}

// With 2 and 79 values P(U <= 16) is 81/3240, which is 0.025 exactly: the rule takes
// a tail of at most 0.025, so it is taken, and the 17th difference is the limit. There
// are no smaller samples where this happens up to 40 a side. Worked out by hand: of
// C(81, 2) = 3240 pairs of ranks, (k/2 + 1)^2 have U <= k for even k.
func TestATailOfTheRankSumThatIsJustTheLevelIsTaken(t *testing.T) {
	for _, c := range []struct{ m, n, want int }{{2, 78, 16}, {2, 79, 17}, {79, 2, 17}} {
		if got := intervalRank(c.m, c.n); got != c.want {
			t.Errorf("%d and %d values: rank %d, want %d", c.m, c.n, got, c.want)
		}
	}
}

func TestPresencesRestOnTheStaysOwnRecord(t *testing.T) {
	record := func(kind clinical.Kind, id, unit string) clinical.Record {
		v := clinical.Version{Kind: kind, SourceID: id, RecordedAt: hoursOn(-10), Body: clinical.Stay{Unit: unit}}
		return clinical.Record{Version: v, History: []clinical.Version{v}}
	}
	own := record(clinical.KindStay, "S", "4W")
	others := []clinical.Record{record(clinical.KindFall, "S", "a fall of that name"), record(clinical.KindStay, "T", "another stay's")}
	chart := clinical.Chart{StayID: "S", AsOf: noon, Stay: &clinical.Stay{AdmittedAt: hoursOn(-10)}, Records: append(others, own)}
	if got := PresencesOf(chart); len(got) != 1 || got[0] != (Presence{Unit: "4W", From: hoursOn(-10)}) {
		t.Errorf("%+v", got)
	}
	chart.Records = others
	if got := PresencesOf(chart); got != nil {
		t.Errorf("without a record of the stay: %+v", got)
	}
	chart.Records, chart.Stay = []clinical.Record{own}, nil
	if got := PresencesOf(chart); got != nil {
		t.Errorf("of a stay that does not stand: %+v", got)
	}
}
