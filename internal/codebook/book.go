// Package codebook keeps the site's table of codes: what a code or a text of the feeds
// means that no open standard tells. What is said in the app holds at once and for every
// moment; nothing is ever overwritten.
package codebook

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"sync/atomic"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Store is what the book needs of a store.
type Store interface {
	AddCode(ctx context.Context, c records.Code) (records.Code, error)
	Codes(ctx context.Context) ([]records.Code, error) // the first one first
	SeenDrugs(ctx context.Context, from time.Time) ([]records.SeenDrug, error)
}

// Book is the table of one site. It may be used from any goroutine.
type Book struct {
	Store Store
	Clock clinical.Clock

	drugs atomic.Pointer[clinical.SiteDrugs]
}

// seenFor is for how long back drugs that the feeds named are looked at.
const seenFor = 90 * 24 * time.Hour

// Drugs are what the table says of drugs, as of the last Refresh or Save.
func (b *Book) Drugs() clinical.SiteDrugs {
	if t := b.drugs.Load(); t != nil {
		return *t
	}
	return clinical.SiteDrugs{}
}

// Refresh takes up what other programs on the same database have said.
func (b *Book) Refresh(ctx context.Context) error {
	list, err := b.Store.Codes(ctx)
	if err != nil {
		return err
	}
	var drugs []clinical.SiteDrug
	for _, c := range Counting(list) {
		if c.System == records.TextSystem {
			drugs = append(drugs, clinical.SiteDrug{Text: c.Code, ATC: c.Value})
		}
	}
	t := clinical.NewSiteDrugs(drugs)
	b.drugs.Store(&t)
	return nil
}

// Counting are the entries that count, by system and code: of each the last, without those
// taken back.
func Counting(list []records.Code) []records.Code {
	var out []records.Code
	for n := len(list) - 1; n >= 0; n-- {
		same := func(c records.Code) bool {
			return c.System == list[n].System && clinical.SameDrugText(c.Code, list[n].Code)
		}
		if !slices.ContainsFunc(out, same) {
			out = append(out, list[n])
		}
	}
	out = slices.DeleteFunc(out, func(c records.Code) bool { return c.Kind == records.CodeNothing })
	slices.SortFunc(out, func(a, b records.Code) int {
		return cmp.Or(strings.Compare(a.System, b.System), strings.Compare(a.Code, b.Code))
	})
	return out
}

// Unknown lists the drugs of the last 90 days that no code, no name and no entry of the
// table tells, those of most facts first.
func (b *Book) Unknown(ctx context.Context) ([]records.SeenDrug, error) {
	if err := b.Refresh(ctx); err != nil {
		return nil, err
	}
	list, err := b.Store.Codes(ctx)
	if err != nil {
		return nil, err
	}
	seen, err := b.Store.SeenDrugs(ctx, b.Clock().Add(-seenFor))
	if err != nil {
		return nil, err
	}
	counting := Counting(list)
	var out []records.SeenDrug
	for _, d := range seen {
		_, known := clinical.Drug{Text: d.Text, ATC: d.ATC, RxNorm: d.RxNorm}.Ingredients()
		mapped := slices.ContainsFunc(counting, func(c records.Code) bool {
			return c.System == records.TextSystem && clinical.SameDrugText(c.Code, d.Text)
		})
		if !known && !mapped && strings.TrimSpace(d.Text) != "" {
			out = append(out, d)
		}
	}
	return out, nil
}

// ByNewest puts the drugs named last first.
func ByNewest(list []records.SeenDrug) {
	slices.SortStableFunc(list, func(a, b records.SeenDrug) int { return b.Newest.Compare(a.Newest) })
}

// All lists every entry ever made, the newest first.
func (b *Book) All(ctx context.Context) ([]records.Code, error) {
	list, err := b.Store.Codes(ctx)
	slices.Reverse(list)
	return list, err
}

// MaxText is the longest text that is mapped, in characters.
const MaxText = 4000

// Check puts an entry into the form in which it is kept. The error carries clinical.Invalid.
func Check(c records.Code) (records.Code, error) {
	c.System, c.Code = strings.TrimSpace(c.System), strings.Join(strings.Fields(c.Code), " ")
	switch {
	case c.Code == "":
		return c, clinical.Errorf(clinical.Invalid, "the text of the drug is missing; take it from the list")
	case utf8.RuneCountInString(c.Code) > MaxText || slices.ContainsFunc([]rune(c.Code), unicode.IsControl):
		return c, clinical.Errorf(clinical.Invalid, "the text of the drug is too long, or holds control characters")
	case c.Kind == records.CodeDrug:
		atc, ok := clinical.ValidATC(c.Value)
		if !ok {
			return c, clinical.Errorf(clinical.Invalid, "%q is no ATC code; write it as C03CA01, or its beginning as C03C", c.Value)
		}
		c.Value = atc
	case c.Kind == records.CodeIgnore || c.Kind == records.CodeNothing:
		c.Value = ""
	default:
		return c, clinical.Errorf(clinical.Invalid, "say what the text means: a drug, not a drug that matters, or nothing")
	}
	return c, nil
}

// Save adds an entry, which counts at once. The error carries clinical.Invalid for what is
// wrong with it.
func (b *Book) Save(ctx context.Context, c records.Code) (records.Code, error) {
	c, err := Check(c)
	if err != nil {
		return c, err
	}
	c.At = b.Clock()
	if c, err = b.Store.AddCode(ctx, c); err != nil {
		return c, err
	}
	return c, b.Refresh(ctx)
}
