package trends

import (
	"cmp"
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// UnknownDrug is a drug that no code and no name tells, as charted, and by a route that
// is not local: it cannot be judged (D-UNKNOWN).
type UnknownDrug struct {
	Text   string
	Orders []string // active at the digest's moment, not as-needed
	Doses  []UnknownDose
}

// UnknownDose is a given dose of such a drug in the 24 h before the digest's moment.
type UnknownDose struct {
	At       time.Time
	SourceID string
}

// ActiveUnknown is such a drug that is active at a moment.
type ActiveUnknown struct {
	Text  string
	Facts []string
}

// ofNoConcern reports whether the site has named a drug as of no concern.
func ofNoConcern(text string, named []string) bool {
	return slices.ContainsFunc(named, func(n string) bool { return clinical.SameDrugText(n, text) })
}

// unrecognised lists, as charted, the drugs of orders that ever ran and of dose records
// that no code and no name tells, less those that the site has named as of no concern.
func unrecognised(orders []orderCourse, doses []administered, noConcern []string) []string {
	out := []string{}
	add := func(n named) {
		if !n.known && !ofNoConcern(n.text, noConcern) {
			out = append(out, n.text)
		}
	}
	for _, o := range orders {
		add(o.named)
	}
	for _, a := range doses {
		add(a.named)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// unknownDrugs are those of them that an order or a dose of the last 24 h may make active.
func unknownDrugs(orders []orderCourse, doses []administered, at time.Time, noConcern []string) []UnknownDrug {
	byText := map[string]*UnknownDrug{}
	of := func(n named) *UnknownDrug {
		if n.known || n.local || ofNoConcern(n.text, noConcern) {
			return nil
		}
		if byText[n.text] == nil {
			byText[n.text] = &UnknownDrug{Text: n.text}
		}
		return byText[n.text]
	}
	for _, o := range orders {
		if o.asNeeded || !o.activeAt(at) {
			continue
		}
		if u := of(o.named); u != nil {
			u.Orders = append(u.Orders, o.sourceID)
		}
	}
	for _, a := range doses {
		if !a.given || !InWindow(a.dose.GivenAt, at, loadWindow) {
			continue
		}
		if u := of(a.named); u != nil {
			u.Doses = append(u.Doses, UnknownDose{a.dose.GivenAt, a.sourceID})
		}
	}
	out := make([]UnknownDrug, 0, len(byText))
	for _, u := range byText {
		out = append(out, *u)
	}
	slices.SortFunc(out, func(a, b UnknownDrug) int { return cmp.Compare(a.Text, b.Text) })
	return out
}

// unknownAt lists those that are active at a moment, by name.
func (d Digest) unknownAt(at time.Time) []ActiveUnknown {
	var out []ActiveUnknown
	for _, u := range d.Unknown {
		facts := slices.Clone(u.Orders)
		for _, dose := range u.Doses {
			if InWindow(dose.At, at, loadWindow) {
				facts = append(facts, dose.SourceID)
			}
		}
		if len(facts) > 0 {
			out = append(out, ActiveUnknown{u.Text, Distinct(facts)})
		}
	}
	return out
}
