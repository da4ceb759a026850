package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func TestCodesAreAddedTo(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		want := []records.Code{
			{Number: 1, System: "text", Code: "House pill", Kind: "drug", Value: "C03CA01", Who: "ann", At: hours(1)},
			{Number: 2, System: "text", Code: "House pill", Kind: "nothing", Who: "bob", At: hours(2)},
		}
		for _, c := range want {
			c.Number = 0
			get(s.AddCode(t.Context(), c))(t)
		}
		if diff := cmp.Diff(want, get(s.Codes(t.Context()))(t)); diff != "" {
			t.Error(diff)
		}
	})
}

// Each fact counts once, however often it was corrected.
func TestWhichDrugsTheFeedsName(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		drug := clinical.Drug{Text: "House pill"}
		version := func(kind clinical.Kind, id, stay string, h float64, b clinical.Body) clinical.Version {
			return clinical.Version{
				Kind: kind, SourceID: id, StayID: stay, RecordedAt: hours(h), Stated: true, Status: clinical.Active, Body: b, Feed: "csv",
			}
		}
		load(t, s, file{name: "a.csv", versions: []clinical.Version{
			version(clinical.KindOrder, "o", "A", 1, clinical.Order{Drug: drug, StartAt: hours(1)}),
			version(clinical.KindOrder, "o", "A", 2, clinical.Order{Drug: drug, StartAt: hours(1.5)}),
			version(clinical.KindDose, "d", "B", 3, clinical.Dose{Drug: drug, GivenAt: hours(3)}),
			version(clinical.KindDose, "e", "B", 3, clinical.Dose{Drug: clinical.Drug{Text: "Other", ATC: "C03CA01"}, GivenAt: hours(2)}),
			version(clinical.KindDose, "f", "B", -50, clinical.Dose{Drug: clinical.Drug{Text: "Long ago"}, GivenAt: hours(-50)}),
		}})
		want := []records.SeenDrug{
			{Text: "House pill", Facts: 2, Stays: 2, Newest: hours(3)}, {Text: "Other", ATC: "C03CA01", Facts: 1, Stays: 1, Newest: hours(2)},
		}
		if diff := cmp.Diff(want, get(s.SeenDrugs(t.Context(), hours(-1)))(t)); diff != "" {
			t.Error(diff)
		}
	})
}
