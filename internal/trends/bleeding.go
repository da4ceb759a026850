package trends

import (
	"maps"
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// Bleeding is what is charted of drugs that make a fall more dangerous (E-BLEED),
// around one moment: that of a fall.
type Bleeding struct {
	Drugs        []Antithrombotic // by name
	Unrecognised []string         // ordered at the moment or given around it, as charted
	LineOnly     []string         // names of those that only keep a line open, and are none of Drugs
}

// Antithrombotic is a drug of ATC group B01A around a moment.
type Antithrombotic struct {
	Substance
	Ordered   bool       // at the moment, not as-needed
	Stopped   *time.Time // the order's latest end before the moment, within bleedingWindow
	LastGiven *time.Time // at or before the moment, within bleedingWindow; nil where no dose is charted
	Since     *time.Time // first given, or first ordered, after the moment; nil where neither is known
	Facts     []string
}

// At reports whether the patient was on the drug at the moment, or had been shortly
// before it.
func (a Antithrombotic) At() bool { return a.Ordered || a.Stopped != nil || a.LastGiven != nil }

// bleedingWindow is how long before a fall a dose is still named. Platelets that
// were struck live 7 to 10 days (from memory); the hours since are always shown.
const bleedingWindow = 7 * 24 * time.Hour

// BleedingAround lists the antithrombotic drugs that were ordered or had been given
// around a moment, by what was known of the stay at the chart's, and the drugs that
// nothing tells, which may be some.
func BleedingAround(c clinical.Chart, at time.Time) Bleeding {
	b := bleeding{at: at, byName: map[string]*Antithrombotic{}, lineOnly: map[string]bool{}}
	for _, o := range ordersOf(c) {
		b.takeOrder(o)
	}
	for _, a := range administeredBy(c, c.AsOf) {
		if a.given {
			b.takeDose(a)
		}
	}
	out := Bleeding{Drugs: []Antithrombotic{}, Unrecognised: Distinct(b.unrecognised)}
	for _, name := range slices.Sorted(maps.Keys(b.byName)) {
		a := b.byName[name]
		a.Facts = Distinct(a.Facts) // an order and a dose may share a source_id
		out.Drugs = append(out.Drugs, *a)
	}
	slices.Sort(out.Unrecognised)
	for _, name := range slices.Sorted(maps.Keys(b.lineOnly)) {
		if b.byName[name] == nil {
			out.LineOnly = append(out.LineOnly, name)
		}
	}
	return out
}

// BleedingOf is BleedingAround for a fall of the digest's stay, less the drugs of no
// concern, which the digest knows.
func (d Digest) BleedingOf(c clinical.Chart, sourceID string, fellAt time.Time) Bleeding {
	out := BleedingAround(c, fellAt)
	for _, f := range d.Falls {
		if f.SourceID == sourceID && f.At.Equal(fellAt) {
			out.Unrecognised = f.Unrecognised
		}
	}
	return out
}

// bleeding gathers a Bleeding.
type bleeding struct {
	at           time.Time
	byName       map[string]*Antithrombotic
	unrecognised []string
	lineOnly     map[string]bool
}

// entries are those of what an order or a dose names; none for a drug of another group,
// by a local route, or that only keeps a line open.
func (b *bleeding) entries(n named, fact string) []*Antithrombotic {
	if !n.known && !n.local {
		b.unrecognised = append(b.unrecognised, n.text)
	}
	var out []*Antithrombotic
	for _, p := range n.parts {
		if clinical.Antithrombotic(p.ATC) == "" {
			continue
		}
		if p.keepsLine {
			b.lineOnly[p.Name] = true
			continue
		}
		a := b.byName[p.Name]
		if a == nil {
			a = &Antithrombotic{Substance: p.substance()}
			b.byName[p.Name] = a
		}
		a.Facts = append(a.Facts, fact)
		out = append(out, a)
	}
	return out
}

func (b *bleeding) takeOrder(o orderCourse) {
	if o.asNeeded {
		return // only what was given of it counts
	}
	at, stopped, since := false, (*time.Time)(nil), (*time.Time)(nil)
	for _, r := range o.runs {
		switch {
		case r.from.After(b.at):
			since = earlierOf(since, r.from)
		case r.covers(b.at):
			at = true
		case !r.to.Before(b.at.Add(-bleedingWindow)):
			stopped = laterOf(stopped, r.to)
		}
	}
	if !at && stopped == nil && since == nil {
		return
	}
	for _, a := range b.entries(o.named, o.sourceID) {
		a.Ordered = a.Ordered || at
		if stopped != nil {
			a.Stopped = laterOf(a.Stopped, *stopped)
		}
		if since != nil {
			a.Since = earlierOf(a.Since, *since)
		}
	}
}

func (b *bleeding) takeDose(d administered) {
	at := d.dose.GivenAt
	if at.Before(b.at.Add(-bleedingWindow)) {
		return
	}
	for _, a := range b.entries(d.named, d.sourceID) {
		if at.After(b.at) {
			a.Since = earlierOf(a.Since, at)
		} else {
			a.LastGiven = laterOf(a.LastGiven, at)
		}
	}
}

func earlierOf(a *time.Time, b time.Time) *time.Time {
	if a != nil && a.Before(b) {
		return a
	}
	return &b
}

func laterOf(a *time.Time, b time.Time) *time.Time {
	if a != nil && a.After(b) {
		return a
	}
	return &b
}

// Bleed is a drug that makes a fall bleed, as it stands wherever the fall does. Episodes
// keep it as JSON: a name, once used, keeps its meaning.
type Bleed struct {
	Drug string `json:"drug"`
	// LastGiven is the last given dose at or before the fall, within seven days; nil where none
	// is charted.
	LastGiven *time.Time `json:"last_given"`
	Stopped   *time.Time `json:"stopped"` // where no order stood at the fall: the end of the last
	Since     *time.Time `json:"since"`   // of a drug that was begun after the fall: when
}

// bleeds are the drugs that make the fall bleed, as they stand where it does.
func (around Bleeding) bleeds() []Bleed {
	var out []Bleed
	for _, d := range around.Drugs {
		b := Bleed{Drug: d.Name, LastGiven: d.LastGiven}
		switch {
		case !d.At():
			b.Since = d.Since
		case !d.Ordered:
			b.Stopped = d.Stopped
		}
		out = append(out, b)
	}
	return out
}
