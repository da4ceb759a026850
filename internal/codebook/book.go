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
	"plumbline/internal/ingest/codes"
	"plumbline/internal/records"
)

// Store is what the book needs of a store.
type Store interface {
	AddCode(ctx context.Context, c records.Code) (records.Code, error)
	Codes(ctx context.Context) ([]records.Code, error) // the first one first
	SeenDrugs(ctx context.Context, from time.Time) ([]records.SeenDrug, error)
	SeenCodes(ctx context.Context) ([]records.SeenCode, error)
}

// Book is the table of one site. It may be used from any goroutine.
type Book struct {
	Store Store
	Clock clinical.Clock
	// File is what the site's file says; what is said in the app goes before it.
	File []codes.Entry
	// Table is what the readers of feeds ask; every Refresh makes it anew. nil: nobody asks.
	Table *codes.Table
	// Changed is told that a code of the feeds means something else from now on, so that what
	// was held back for it is read again. nil: nobody is told.
	Changed func(ctx context.Context) error

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
	var inApp []codes.Entry
	for _, c := range Counting(list) {
		if c.System == records.TextSystem {
			drugs = append(drugs, clinical.SiteDrug{Text: c.Code, ATC: c.Value})
		} else {
			inApp = append(inApp, entryOf(c))
		}
	}
	for _, e := range b.File {
		said := slices.ContainsFunc(drugs, func(d clinical.SiteDrug) bool { return clinical.SameDrugText(d.Text, e.Code) })
		if e.System == records.TextSystem && !said {
			drugs = append(drugs, clinical.SiteDrug{Text: e.Code, ATC: e.Value})
		}
	}
	t := clinical.NewSiteDrugs(drugs)
	b.drugs.Store(&t)
	if b.Table != nil {
		b.Table.Set(inApp, b.File)
	}
	return nil
}

func entryOf(c records.Code) codes.Entry {
	return codes.Entry{System: c.System, Code: c.Code, Kind: codes.Kind(c.Kind), Value: c.Value, Reason: c.Reason, Words: c.Words}
}

// Seen lists the codes of the feeds that nothing tells, those of most rows first: of what was not known
// when it came, what the table does not tell now either.
func (b *Book) Seen(ctx context.Context) ([]records.SeenCode, error) {
	if err := b.Refresh(ctx); err != nil {
		return nil, err
	}
	list, err := b.Store.SeenCodes(ctx)
	return slices.DeleteFunc(list, b.told), err
}

// told reports whether the table tells a code that was seen; of a word, whether its code has it.
func (b *Book) told(c records.SeenCode) bool {
	if c.Kind == records.SeenPosition {
		return b.Table.TellsPosition(c.System, c.Code, c.Text)
	}
	if c.Kind != records.SeenWord {
		_, mapped := b.Table.Find(c.System, c.Code)
		return mapped
	}
	system, code := "", c.System
	if n := strings.LastIndexByte(c.System, ' '); n >= 0 {
		system, code = c.System[:n], c.System[n+1:]
	}
	e, mapped := b.Table.Find(system, code)
	_, known := e.Meaning(c.Code)
	return mapped && known
}

// Counting are the entries that count, by system and code: of each the last, without those
// taken back.
func Counting(list []records.Code) []records.Code {
	var out []records.Code
	for n := len(list) - 1; n >= 0; n-- {
		same := func(c records.Code) bool {
			return c.System == list[n].System &&
				(c.Code == list[n].Code || c.System == records.TextSystem && clinical.SameDrugText(c.Code, list[n].Code))
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
	if c.System != records.TextSystem {
		return checkCode(c)
	}
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

// checkCode is Check for a code of the feeds: by the rules of the site's file.
func checkCode(c records.Code) (records.Code, error) {
	c.System, c.Code = strings.TrimSpace(c.System), strings.TrimSpace(c.Code)
	if c.Kind == records.CodeNothing && c.Code != "" {
		c.Value, c.Reason, c.Words = "", "", nil
		return c, nil
	}
	if utf8.RuneCountInString(c.System+c.Code) > MaxText || slices.ContainsFunc([]rune(c.System+c.Code), unicode.IsControl) {
		return c, clinical.Errorf(clinical.Invalid, "the code is too long, or holds control characters")
	}
	e, err := codes.Check(entryOf(c))
	if err != nil {
		return c, clinical.Errorf(clinical.Invalid, "%s", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	c.Kind, c.Value, c.Reason, c.Words = records.CodeKind(e.Kind), e.Value, e.Reason, e.Words
	return c, nil
}

// Words reads what the values of a code mean as they are typed: "Y = yes; N = no". The error carries
// clinical.Invalid.
func Words(typed string) (map[string]string, error) {
	out := map[string]string{}
	for _, one := range strings.Split(typed, ";") {
		if strings.TrimSpace(one) == "" {
			continue
		}
		value, word, both := strings.Cut(one, "=")
		if !both || strings.TrimSpace(value) == "" || strings.TrimSpace(word) == "" {
			return nil, clinical.Errorf(clinical.Invalid, "write each value with its word, as in Y = yes; N = no")
		}
		out[strings.TrimSpace(value)] = strings.TrimSpace(word)
	}
	if len(out) == 0 {
		return nil, nil
	}
	return out, nil
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
	if err := b.Refresh(ctx); err != nil || c.System == records.TextSystem || b.Changed == nil {
		return c, err
	}
	return c, b.Changed(ctx)
}
