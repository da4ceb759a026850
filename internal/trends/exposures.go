package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// Exposures are what surrounds the findings at one moment (section 5).
type Exposures struct {
	Load        *float64 // in DDDs; nil where every dose was left out
	LoadByGroup map[string]float64
	LoadFrom    string // doses or orders
	LoadLeftOut []string

	Net24, Net48 Balance
	Contributors []Contributor

	Active    []ActiveDrug    // of any recognised drug
	Unknown   []ActiveUnknown // active drugs that nobody knows
	LastGiven []LastGiven     // of each drug that lowers, contributes, raises or is of B01A
}

// Where the load comes from.
const (
	FromDoses  = "doses"
	FromOrders = "orders"
)

// Balance is a fluid balance over a window that ends at the moment asked.
type Balance struct {
	NetML  *float64 // in minus out; nil with no entry in the window
	Hours  float64  // charted: the smaller of the hours covered by intake and by output
	Window float64  // hours of the window, cut at admission
	Usable bool     // enough of the window is charted for a rule to use it
	Facts  []string
}

// Contributor is something to look at, not a cause found (E-CAUSE).
type Contributor struct {
	Kind     string
	Evidence []Evidence
	Facts    []string
}

// Evidence is one ground of a contributor, with its figures.
type Evidence struct {
	What    string           // the id of an EvidenceRule
	Figures clinical.Figures // of the entry of that rule
}

// Grounds of contributors.
const (
	EvNet24       = "net_24h"
	EvNet48       = "net_48h"
	EvWeight      = "weight"
	EvGutLosses   = "gut_losses"
	EvBloodLoss   = "blood_loss"
	EvHaemoglobin = "haemoglobin"
	EvBrisk       = "brisk"
	EvBlunted     = "blunted"
	EvDrugs       = "drugs"
	EvCoded       = "coded"
)

// The kinds of contributors.
const (
	ByVolume     = "volume"
	ByDrugs      = "drugs"
	ByHeart      = "cardiac"
	ByEndocrine  = "endocrine"
	ByNeurologic = "neurologic"
)

// ActiveDrug is a drug ordered (not as-needed) at the moment or given in the
// 24 h before it.
type ActiveDrug struct {
	Substance
	Facts []string
}

// ExposuresAt works out what surrounds the findings at a moment for which the
// digest holds.
func ExposuresAt(d Digest, p clinical.Policy, at time.Time) Exposures {
	e := Exposures{
		Net24: d.balance(24*time.Hour, at, p.Fluid),
		Net48: d.balance(48*time.Hour, at, p.Fluid),
	}
	e.Active = d.activeAt(at)
	e.Unknown = d.unknownAt(at)
	e.LastGiven = d.lastGivenAt(at)
	e.takeLoad(d, at)
	e.Contributors = d.contributors(e, p, at)
	return e
}

// activeAt lists the active drugs by name.
func (d Digest) activeAt(at time.Time) []ActiveDrug {
	active := map[Substance]*ActiveDrug{}
	add := func(s Substance, facts ...string) {
		if active[s] == nil {
			active[s] = &ActiveDrug{Substance: s}
		}
		active[s].Facts = append(active[s].Facts, facts...)
	}
	for _, o := range d.Ordered {
		add(o.Substance, o.Orders...)
	}
	for _, g := range d.Given {
		if InWindow(g.At, at, loadWindow) {
			add(g.Substance, g.SourceID)
		}
	}
	out := make([]ActiveDrug, 0, len(active))
	for _, a := range active {
		a.Facts = Distinct(a.Facts)
		out = append(out, *a)
	}
	slices.SortFunc(out, func(a, b ActiveDrug) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.ATC, b.ATC))
	})
	return out
}

// takeLoad is E-LOAD: doses given in the 24 h before, in DDDs; where the stay
// has no dose records at all, the ordered daily doses.
func (e *Exposures) takeLoad(d Digest, at time.Time) {
	e.LoadByGroup = map[string]float64{}
	e.LoadLeftOut = []string{}
	sum, counted, seen := 0.0, false, false
	add := func(s Substance, mg, ddd *float64) {
		seen = true
		if mg == nil || ddd == nil {
			e.LoadLeftOut = append(e.LoadLeftOut, s.Name)
			return
		}
		counted = true
		sum += *mg / *ddd
		e.LoadByGroup[string(s.Group())] += *mg / *ddd
	}
	if d.HasDoses {
		e.LoadFrom = FromDoses
		for _, g := range d.Given {
			if g.Lowering() && InWindow(g.At, at, loadWindow) {
				add(g.Substance, g.MG, g.DDD)
			}
		}
	} else {
		e.LoadFrom = FromOrders
		for _, o := range d.Ordered {
			if o.Lowering() {
				add(o.Substance, o.DailyMG, o.DDD)
			}
		}
	}
	if counted || !seen {
		e.Load = &sum
	}
	slices.Sort(e.LoadLeftOut)
	e.LoadLeftOut = slices.Compact(e.LoadLeftOut)
}

// share is the part of an entry that falls into (from, to]; an entry at one
// moment counts whole.
func (f FluidEntry) share(from, to time.Time) float64 {
	if f.From.Equal(f.To) {
		if f.To.After(from) && !f.To.After(to) {
			return 1
		}
		return 0
	}
	start, end := latest(f.From, from), f.To
	if end.After(to) {
		end = to
	}
	if !end.After(start) {
		return 0
	}
	return float64(end.Sub(start)) / float64(f.To.Sub(f.From))
}

// windowFrom is the start of a window of length w that ends at t, cut at
// admission where the stay is younger.
func (d Digest) windowFrom(w time.Duration, t time.Time) time.Time {
	return latest(t.Add(-w), d.Stay.AdmittedAt)
}

// balance is E-FLUID over a window that ends at t.
func (d Digest) balance(w time.Duration, t time.Time, p clinical.FluidPolicy) Balance {
	from := d.windowFrom(w, t)
	b := Balance{Window: t.Sub(from).Hours()}
	net := 0.0
	var in, out []span
	for _, f := range d.Fluids {
		share := f.share(from, t)
		if share == 0 {
			continue
		}
		b.NetML = &net
		b.Facts = append(b.Facts, f.SourceID)
		if f.Direction == "in" {
			net += f.VolumeML * share
			in = append(in, f.clip(from, t))
		} else {
			net -= f.VolumeML * share
			out = append(out, f.clip(from, t))
		}
	}
	b.Hours = min(covered(in), covered(out)).Hours()
	b.Usable = b.NetML != nil && b.Window > 0 && AtLeast(b.Hours, b.Window*p.CoveragePercent/100)
	return b
}

// NetOver48h is the fluid balance of the 48 h before a moment at or before the one for
// which the digest holds; see Digest.Fluids for how far back.
func NetOver48h(d Digest, p clinical.FluidPolicy, at time.Time) Balance {
	return d.balance(fluidWindow, at, p)
}

type span struct{ from, to time.Time }

func (f FluidEntry) clip(from, to time.Time) span {
	s := span{latest(f.From, from), f.To}
	if s.to.After(to) {
		s.to = to
	}
	return s
}

// covered is the time that spans cover together, overlaps counted once.
func covered(spans []span) time.Duration {
	slices.SortFunc(spans, func(a, b span) int { return a.from.Compare(b.from) })
	var total time.Duration
	var reach time.Time
	for _, s := range spans {
		start := s.from
		if reach.After(start) {
			start = reach
		}
		if s.to.After(start) {
			total += s.to.Sub(start)
			reach = s.to
		}
	}
	return total
}

func reachesInto(f clinical.Fluid, end time.Time, window time.Duration) bool {
	e := FluidEntry{From: f.From, To: f.To}
	return e.share(end.Add(-window), end) > 0 || f.To.After(end)
}

// contributors is E-CAUSE.
func (d Digest) contributors(e Exposures, p clinical.Policy, at time.Time) []Contributor {
	out := []Contributor{}
	for _, c := range []Contributor{
		d.volume(e, p.Causes, at), drugsInPlay(e), d.coded(ByHeart, heartCodes),
		d.coded(ByEndocrine, endocrineCodes), d.neurologic(),
	} {
		if len(c.Evidence) > 0 {
			c.Facts = Distinct(c.Facts)
			out = append(out, c)
		}
	}
	return out
}

func (c *Contributor) add(e Evidence, facts ...string) {
	c.Evidence = append(c.Evidence, e)
	c.Facts = append(c.Facts, facts...)
}

func (d Digest) volume(e Exposures, p clinical.CausePolicy, at time.Time) Contributor {
	c := Contributor{Kind: ByVolume}
	if e.Net24.Usable && AtMost(*e.Net24.NetML, p.Net24hML) {
		c.add(Evidence{What: EvNet24, Figures: VolumeFigures{*e.Net24.NetML}}, e.Net24.Facts...)
	}
	if e.Net48.Usable && AtMost(*e.Net48.NetML, p.Net48hML) {
		c.add(Evidence{What: EvNet48, Figures: VolumeFigures{*e.Net48.NetML}}, e.Net48.Facts...)
	}
	if d.Weight != nil && AtMost(d.Weight.KG, p.WeightChangeKG) {
		c.add(Evidence{What: EvWeight, Figures: MassFigures{d.Weight.KG}}, d.Weight.Facts...)
	}
	if ml, facts := d.gutLosses(at); len(facts) > 0 && AtLeast(ml, p.GutLosses24hML) {
		c.add(Evidence{What: EvGutLosses, Figures: VolumeFigures{ml}}, facts...)
	}
	if ml, facts := d.bloodLoss(at, clinical.Hours(p.BleedWindowHours)); ml > 0 {
		c.add(Evidence{What: EvBloodLoss, Figures: VolumeFigures{ml}}, facts...)
	}
	if fall, facts := d.haemoglobinFall(at, clinical.Hours(p.BleedWindowHours)); fall != nil && AtLeast(*fall, p.HaemoglobinFall) {
		c.add(Evidence{What: EvHaemoglobin, Figures: HaemoglobinFigures{*fall}}, facts...)
	}
	d.addResponse(&c, Brisk, EvBrisk)
	return c
}

func (d Digest) addResponse(c *Contributor, response Word, what string) {
	if s := d.LatestInterpretable(); s != nil && s.PulseResponse == response {
		c.add(Evidence{What: what, Figures: RatioFigures{*s.PulseRatio}}, s.Facts...)
	}
}

func (d Digest) gutLosses(at time.Time) (ml float64, facts []string) {
	from := d.windowFrom(24*time.Hour, at)
	for _, f := range d.Fluids {
		gut := f.What == "emesis" || f.What == "stool" || f.What == "drain"
		if share := f.share(from, at); gut && f.Direction == "out" && share > 0 {
			ml += f.VolumeML * share
			facts = append(facts, f.SourceID)
		}
	}
	return ml, facts
}

func (d Digest) bloodLoss(at time.Time, window time.Duration) (ml float64, facts []string) {
	for _, f := range d.Fluids {
		if share := f.share(at.Add(-window), at); f.What == "blood_loss" && share > 0 && f.VolumeML > 0 {
			ml += f.VolumeML * share
			facts = append(facts, f.SourceID)
		}
	}
	return ml, facts
}

// haemoglobinFall is how far the latest haemoglobin lies under the highest
// earlier one, both within the window, in g/dL; nil where there are not two.
func (d Digest) haemoglobinFall(at time.Time, window time.Duration) (fall *float64, facts []string) {
	var inWindow []HaemoglobinValue
	for _, h := range d.Haemoglobins {
		if InWindow(h.At, at, window) {
			inWindow = append(inWindow, h)
		}
	}
	if len(inWindow) < 2 {
		return nil, nil
	}
	last := inWindow[len(inWindow)-1]
	earlier := slices.DeleteFunc(slices.Clone(inWindow), func(h HaemoglobinValue) bool { return !h.At.Before(last.At) })
	if len(earlier) == 0 {
		return nil, nil
	}
	highest := slices.MaxFunc(earlier, func(a, b HaemoglobinValue) int { return cmp.Compare(a.GDL, b.GDL) })
	return ptr(highest.GDL - last.GDL), []string{highest.SourceID, last.SourceID}
}

func drugsInPlay(e Exposures) Contributor {
	c := Contributor{Kind: ByDrugs}
	var names NamesFigures
	var facts []string
	for _, a := range e.Active {
		if a.Lowering() || a.Contributing() {
			names.Names = append(names.Names, a.Name)
			facts = append(facts, a.Facts...)
		}
	}
	if len(names.Names) > 0 {
		c.add(Evidence{What: EvDrugs, Figures: names}, facts...)
	}
	return c
}

// Code prefixes of E-CAUSE and of "at risk", without dots.
var (
	heartCodes      = []string{"I50", "I34", "I35", "I36", "I37", "I42", "I44", "I45", "I47", "I48", "I49"}
	endocrineCodes  = []string{"E10", "E11", "E12", "E13", "E14", "E03", "E05", "E271", "E272", "E273", "E274"}
	neurologicCodes = []string{"G20", "G21", "G232", "G90", "G60", "G61", "G62", "G63", "G64"}
	historyCodes    = []string{"R296", "Z9181", "R55", "I951", "I952"}
)

func (d Digest) withCodes(prefixes []string) []Coded {
	var out []Coded
	for _, c := range d.Conditions {
		if slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(c.Code, p) }) {
			out = append(out, c)
		}
	}
	return out
}

func (d Digest) coded(kind string, prefixes []string) Contributor {
	c := Contributor{Kind: kind}
	var names NamesFigures
	var facts []string
	for _, coded := range d.withCodes(prefixes) {
		name := coded.Charted
		if coded.Text != "" {
			name += " " + coded.Text
		}
		names.Names = append(names.Names, name)
		facts = append(facts, coded.SourceID)
	}
	if len(names.Names) > 0 {
		c.add(Evidence{What: EvCoded, Figures: names}, facts...)
	}
	return c
}

func (d Digest) neurologic() Contributor {
	c := d.coded(ByNeurologic, neurologicCodes)
	d.addResponse(&c, Blunted, EvBlunted)
	return c
}

// NeurologicCodes are the stay's coded neurologic conditions of E-CAUSE.
func (d Digest) NeurologicCodes() []Coded { return d.withCodes(neurologicCodes) }

// HistoryCodes are the stay's coded histories of falls, syncope or orthostatic
// hypotension.
func (d Digest) HistoryCodes() []Coded { return d.withCodes(historyCodes) }
