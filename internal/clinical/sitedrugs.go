package clinical

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// SiteDrug says what a drug is that neither a code nor a name tells: by the text that the
// site's feeds bring.
type SiteDrug struct {
	Text string
	ATC  string // "": not a drug that matters here
}

// SiteDrugs are those that a site has named. The zero value names none. It is given to
// whoever works out a digest, as the policy is, and holds for every moment: what a text
// means was so before somebody said it.
type SiteDrugs struct {
	atc  map[string]string // by drugKey
	text []string          // as charted, of those that do not matter
	hash string
}

// NewSiteDrugs makes the table; of two entries of one text the later one counts.
func NewSiteDrugs(list []SiteDrug) SiteDrugs {
	if len(list) == 0 {
		return SiteDrugs{}
	}
	t := SiteDrugs{atc: map[string]string{}}
	for _, d := range list {
		t.atc[drugKey(d.Text)] = d.ATC
	}
	sum := sha256.New()
	for _, key := range slices.Sorted(maps.Keys(t.atc)) {
		_, _ = fmt.Fprintf(sum, "%q %q\n", key, t.atc[key])
	}
	for _, d := range list {
		if t.atc[drugKey(d.Text)] == "" {
			t.text = append(t.text, strings.TrimSpace(d.Text))
		}
	}
	t.hash = hex.EncodeToString(sum.Sum(nil))[:16]
	return t
}

// drugKey is a text without what does not tell drugs apart: case, and how many spaces.
func drugKey(text string) string { return strings.ToLower(strings.Join(strings.Fields(text), " ")) }

// SameDrugText reports whether two texts are one for the table.
func SameDrugText(a, b string) bool { return drugKey(a) == drugKey(b) }

// Hash names what the table says; "" where it names nothing.
func (t SiteDrugs) Hash() string { return t.hash }

// ValidATC is an ATC code in capitals, of any level from the second on; ok is false for
// what is none.
func ValidATC(code string) (atc string, ok bool) {
	atc = strings.ToUpper(strings.TrimSpace(code))
	return atc, atcShape.MatchString(atc)
}

// In is the chart with the code of each drug that only the table tells. What a code or a
// name tells stays as it is: the table takes nothing away.
func (t SiteDrugs) In(c Chart) Chart {
	if t.hash == "" {
		return c
	}
	c.Records, c.Removed = t.records(c.Records), t.records(c.Removed)
	return c
}

func (t SiteDrugs) records(list []Record) []Record {
	out := slices.Clone(list)
	for n := range out {
		out[n].Body = t.body(out[n].Body)
		if out[n].Kind == KindOrder || out[n].Kind == KindDose {
			out[n].History = slices.Clone(out[n].History)
			for k := range out[n].History {
				out[n].History[k].Body = t.body(out[n].History[k].Body)
			}
		}
	}
	return out
}

func (t SiteDrugs) body(b Body) Body {
	switch b := b.(type) {
	case Order:
		b.Drug = t.drug(b.Drug)
		return b
	case Dose:
		b.Drug = t.drug(b.Drug)
		return b
	}
	return b
}

func (t SiteDrugs) drug(d Drug) Drug {
	atc := t.atc[drugKey(d.Text)]
	if atc == "" {
		return d
	}
	if _, known := d.Ingredients(); !known {
		d.ATC = atc
	}
	return d
}

// Of is the policy with what the table names as not mattering among the drugs of no concern.
func (t SiteDrugs) Of(p Policy) Policy {
	if len(t.text) > 0 {
		p.Drugs.OfNoConcern = slices.Concat(p.Drugs.OfNoConcern, t.text)
	}
	return p
}
