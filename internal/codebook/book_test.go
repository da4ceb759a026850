package codebook_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/codebook"
	"plumbline/internal/records"
	"plumbline/internal/testdb/teststore"
)

var at = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func drug(text, atc string) records.Code {
	return records.Code{System: records.TextSystem, Code: text, Kind: records.CodeDrug, Value: atc, Who: "admin"}
}

func TestWhatIsKeptOfAnEntry(t *testing.T) {
	for _, c := range []struct {
		given records.Code
		want  records.Code // of which code, kind and value are looked at
		wrong string
	}{
		{given: drug("  ward \t mixture 7 ", "c03aa03"), want: drug("ward mixture 7", "C03AA03")},
		{given: drug("x", "C03A"), want: drug("x", "C03A")},
		{given: records.Code{Code: "x", Kind: records.CodeIgnore, Value: "C03A"}, wrong: "has no value"},
		{given: records.Code{Code: "x", Kind: records.CodeIgnore}, want: records.Code{Code: "x", Kind: records.CodeIgnore}},
		{given: records.Code{Code: "x", Kind: records.CodeNothing}, want: records.Code{Code: "x", Kind: records.CodeNothing}},
		{given: drug(" ", "C03A"), wrong: "missing"},
		{given: drug("x", "furosemide"), wrong: "no ATC code"},
		{given: drug("x", ""), wrong: "no ATC code"},
		{given: records.Code{Code: "x", Kind: "else"}, wrong: "kind is none of"},
		{given: drug("a\x00b", "C03A"), wrong: "control characters"},
		{given: drug(strings.Repeat("é", codebook.MaxText+1), "C03A"), wrong: "too long"},
		{given: drug(strings.Repeat("é", codebook.MaxText), "C03A"), want: drug(strings.Repeat("é", codebook.MaxText), "C03A")},
	} {
		got, err := codebook.Check(c.given)
		if c.wrong != "" {
			if clinical.CodeOf(err) != clinical.Invalid || !strings.Contains(err.Error(), c.wrong) {
				t.Errorf("%.20q, %s: %v, want %q", c.given.Code, c.given.Value, err, c.wrong)
			}
			continue
		}
		if err != nil || got.Code != c.want.Code || got.Kind != c.want.Kind || got.Value != c.want.Value {
			t.Errorf("%+v becomes %+v, %v", c.given, got, err)
		}
	}
}

// Of one text the last entry counts, however it is written; one that is taken back counts no
// more, and an earlier one does not come back by that.
func TestTheLastEntryCounts(t *testing.T) {
	back := records.Code{System: records.TextSystem, Code: "B mix", Kind: records.CodeNothing}
	got := codebook.Counting([]records.Code{
		drug("a mix", "C03A"), drug("b mix", "C07A"), drug("A MIX", "C09A"), back, drug("c", "C08C"),
		{System: "urn:x", Code: "a mix", Kind: records.CodeDrug, Value: "N05C"}, // of another system
	})
	var said []string
	for _, c := range got {
		said = append(said, c.System+" "+c.Code+" "+c.Value)
	}
	if want := "text A MIX C09A; text c C08C; urn:x a mix N05C"; strings.Join(said, "; ") != want {
		t.Errorf("%s\nwant %s", strings.Join(said, "; "), want)
	}
}

// told reports whether a book tells what a text on a chart means.
func told(b *codebook.Book, text string) bool {
	order := clinical.Record{Version: clinical.Version{
		Kind: clinical.KindOrder, Body: clinical.Order{Drug: clinical.Drug{Text: text}},
	}}
	chart := b.Drugs().In(clinical.Chart{Records: []clinical.Record{order}})
	_, known := chart.Records[0].Body.(clinical.Order).Drug.Ingredients()
	return known
}

func TestAnEntryCountsAtOnceAndIsNeverLost(t *testing.T) {
	ctx := t.Context()
	now := at
	b := &codebook.Book{Store: teststore.Empty(t), Clock: func() time.Time { return now }}
	knows := func(text string) bool { return told(b, text) }
	if knows("ward mixture 7") {
		t.Fatal("nobody has said what it is")
	}
	saved, err := b.Save(ctx, drug("ward mixture 7", "C03AA03"))
	if err != nil || saved.Number == 0 || !saved.At.Equal(at) {
		t.Fatalf("%+v, %v", saved, err)
	}
	if !knows("Ward  Mixture 7") {
		t.Error("it does not count at once, or not for another writing of it")
	}
	other := &codebook.Book{Store: b.Store, Clock: b.Clock} // another program on the database
	if err := other.Refresh(ctx); err != nil {
		t.Fatal(err)
	}
	if !told(other, "ward mixture 7") {
		t.Error("another program does not take it up")
	}
	now = now.Add(time.Hour)
	if _, err := b.Save(ctx, records.Code{System: records.TextSystem, Code: "ward mixture 7", Kind: records.CodeNothing}); err != nil {
		t.Fatal(err)
	}
	if knows("ward mixture 7") {
		t.Error("it counts after it was taken back")
	}
	all, err := b.All(ctx)
	if err != nil || len(all) != 2 || all[0].Kind != records.CodeNothing || all[1].Value != "C03AA03" {
		t.Errorf("kept: %+v, %v", all, err)
	}
	if _, err := b.Save(ctx, drug("x", "no code")); clinical.CodeOf(err) != clinical.Invalid {
		t.Errorf("a wrong entry: %v", err)
	}
}

// seen is a store in which drugs were named.
type seen struct {
	codebook.Store
	list []records.SeenDrug
	from time.Time
	err  error
}

func (s *seen) SeenDrugs(_ context.Context, from time.Time) ([]records.SeenDrug, error) {
	s.from = from
	return s.list, s.err
}

func TestUnknownAreThoseThatNothingTells(t *testing.T) {
	ctx := t.Context()
	s := &seen{Store: teststore.Empty(t), list: []records.SeenDrug{
		{Text: "ward mixture 7", Facts: 9, Newest: at.Add(-time.Hour)},
		{Text: "furosemide", Facts: 8},      // by its name
		{Text: "who knows", ATC: "C03CA01"}, // by its code
		{Text: "trial capsule", Facts: 2, Newest: at},
		{Text: "  "}, // says nothing
	}}
	b := &codebook.Book{Store: s, Clock: func() time.Time { return at }}
	texts := func() string {
		t.Helper()
		list, err := b.Unknown(ctx)
		if err != nil {
			t.Fatal(err)
		}
		codebook.ByNewest(list)
		var out []string
		for _, d := range list {
			out = append(out, d.Text)
		}
		return strings.Join(out, ", ")
	}
	if got := texts(); got != "trial capsule, ward mixture 7" {
		t.Errorf("unknown, the newest first: %s", got)
	}
	if days := at.Sub(s.from).Hours() / 24; days != 90 {
		t.Errorf("looked back %v days", days)
	}
	for _, c := range []records.Code{
		{System: records.TextSystem, Code: "TRIAL capsule", Kind: records.CodeIgnore}, drug("ward mixture 7", "C03AA03"),
	} {
		if _, err := b.Save(ctx, c); err != nil {
			t.Fatal(err)
		}
	}
	if got := texts(); got != "" {
		t.Errorf("unknown after both were mapped: %s", got)
	}
	s.err = errors.New("away")
	if _, err := b.Unknown(ctx); err == nil {
		t.Error("a store that fails says nothing")
	}
}
