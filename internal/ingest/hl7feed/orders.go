package hl7feed

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// orderSaid is what a message says of an order. nil leaves what was said before.
type orderSaid struct {
	owner
	Source   string
	Status   clinical.Status
	Drug     *clinical.Drug `json:",omitempty"`
	Dose     *float64       `json:",omitempty"`
	DoseUnit *string        `json:",omitempty"`
	Route    *string        `json:",omitempty"`
	Times    *float64       `json:",omitempty"`
	From     *time.Time     `json:",omitempty"`
	Until    *time.Time     `json:",omitempty"`
	NoEnd    bool           `json:",omitempty"` // the end is deleted
	AsNeeded *bool          `json:",omitempty"`
}

// orderGroup is an ORC with what follows it.
type orderGroup struct {
	owner
	orc      segment
	rxo, rxe segment
	rxr      segment
	tq1      []segment // that stand together, the last of them
	rxa      []segment
}

func (t *told) orderGroups() (out []*orderGroup) {
	var g *orderGroup
	before := ""
	t.follow(func(s segment, w owner) {
		defer func() { before = s.name }()
		switch s.name {
		case "ORC":
			g = &orderGroup{owner: w, orc: s}
			out = append(out, g)
		case "RXA":
			if g == nil {
				g = &orderGroup{owner: w, orc: segment{sep: t.separators}}
				out = append(out, g)
			}
			g.rxa = append(g.rxa, s)
		}
		if g == nil {
			return
		}
		if s.name == "TQ1" {
			if before != "TQ1" && before != "TQ2" { // those nearest to the RXE count
				g.tq1 = nil
			}
			g.tq1 = append(g.tq1, s)
		}
		for name, to := range map[string]*segment{"RXO": &g.rxo, "RXE": &g.rxe, "RXR": &g.rxr} {
			if s.name == name && (to.name == "" || name != "RXR") {
				*to = s
			}
		}
	})
	return out
}

func orderID(orc segment) string {
	if id := orc.text(2); id != "" {
		return id
	}
	return orc.text(3)
}

func (t *told) readOrders() {
	for _, g := range t.orderGroups() {
		if t.kind == "ORM" && !g.ofDrug() {
			continue
		}
		if x, used := t.order(g); used {
			t.add(x)
		}
	}
	t.readObservations()
}

// ofDrug reports whether an order is of a drug, or may be: one that stops or takes back an
// order needs not say of what.
func (g *orderGroup) ofDrug() bool {
	control := g.orc.text(1)
	return g.rxo.name != "" || g.rxe.name != "" || strings.HasPrefix(control, "D") || strings.HasPrefix(control, "C")
}

func (t *told) order(g *orderGroup) (row, bool) {
	status, known := clinical.ORCStatus(g.orc.text(1))
	if !known {
		return row{}, false
	}
	id := orderID(g.orc)
	x := row{key: "order " + id, source: id, status: status, part: records.Part{Kind: clinical.KindOrder}}
	wrong := func(reason string) (row, bool) { x.reason = reason; return x, true }
	switch {
	case id == "":
		return wrong("the order has no number (ORC-2, ORC-3)")
	case !g.known():
		return wrong("the message names no patient (PID-3)")
	}
	said := orderSaid{owner: g.owner, Source: id, Status: status}
	if reason := t.drugOfOrder(g, &said); reason != "" {
		return wrong(reason)
	}
	if reason := t.timing(g, &said); reason != "" {
		return wrong(reason)
	}
	if status == clinical.Active && g.orc.text(1) != "RL" {
		switch {
		case said.Drug == nil:
			return wrong("the order names no drug (RXE-2, RXO-1)")
		case said.From == nil:
			return wrong("the order has no start (TQ1-7, RXE-1, ORC-7)")
		}
	}
	topic := "order " + id
	x.part = t.part(clinical.KindOrder, topic, said, records.Topic{Name: topic})
	return x, true
}

func (t *told) drugOfOrder(g *orderGroup, said *orderSaid) (reason string) {
	code, dose, unit := g.rxe.first(2), g.rxe.text(3), g.rxe.first(5)
	if g.rxe.name == "" {
		code, dose, unit = g.rxo.first(1), g.rxo.text(2), g.rxo.first(4)
	}
	if strings.TrimSpace(code.text) != "" {
		d := t.drug(code)
		said.Drug = &d
	}
	if said.Dose, reason = amount(dose, "the dose"); reason != "" {
		return reason
	}
	if said.Dose != nil {
		text := unitText(unit)
		said.DoseUnit = &text
	}
	if r := routeOf(g.rxr); r != "" {
		said.Route = &r
	}
	return ""
}

// drug names a drug as the code says: by ATC, RxNorm or the site's table, and by its text.
func (t *told) drug(e element) (d clinical.Drug) {
	d.Text = e.component(2)
	for _, n := range []int{1, 4} {
		code, system := e.component(n), strings.ToUpper(e.component(n+2))
		if entry, ok := t.Codes.Find(e.component(n+2), code); ok && entry.Kind == codes.Drug {
			d.ATC = entry.Value
			continue
		}
		switch system {
		case "ATC", "WHOATC", "WHO ATC", "WC", // HL7 v2 table 0396 names it WC (from memory)
			"HTTP://WWW.WHOCC.NO/ATC":
			d.ATC = strings.ToUpper(code)
		case "RXNORM", "RXN":
			d.RxNorm = code
		}
	}
	if _, known := d.Ingredients(); !known {
		t.sawElement(records.SeenDrugCode, e)
	}
	for _, n := range []int{5, 9, 1} {
		if d.Text == "" {
			d.Text = e.component(n)
		}
	}
	return d
}

func unitText(e element) string {
	if u := e.component(1); u != "" {
		return u
	}
	return e.component(2)
}

func routeOf(rxr segment) string {
	e := rxr.first(1)
	for _, n := range []int{1, 4} {
		if r, ok := clinical.SNOMEDRoute(e.component(n)); ok {
			return string(r)
		}
	}
	for _, n := range []int{1, 2} {
		if r, local := clinical.RouteOf(e.component(n)); e.component(n) != "" && (local || isRoute(r)) {
			return string(r)
		}
	}
	if e.component(2) != "" {
		return e.component(2)
	}
	return e.component(1)
}

func isRoute(r clinical.Route) bool {
	return r == clinical.Oral || r == clinical.Parenteral || r == clinical.Sublingual || r == clinical.Transdermal
}

// amount is a number that cannot be negative; nil where none is given.
func amount(text, what string) (*float64, string) {
	if text == "" {
		return nil, ""
	}
	f, ok := feed.ParseNumber(text)
	if !ok || f < 0 {
		return nil, what + " is not a number that can be: " + strconv.Quote(text)
	}
	return &f, ""
}

// turn is one rule of when a drug is to be given.
type turn struct{ pattern, from, until string }

// timing reads how often, from when and until when: TQ1, else the quantity and timing of
// RXE-1 or ORC-7.
func (t *told) timing(g *orderGroup, said *orderSaid) (reason string) {
	var turns []turn
	for _, old := range [][]element{g.orc.repetitions(7), g.rxe.repetitions(1)} {
		var told []turn
		for _, e := range old {
			told = append(told, turn{e.component(2), e.component(4), e.component(5)})
		}
		if len(old) > 0 && strings.TrimSpace(old[0].text) != "" {
			turns = told
		}
	}
	for n, s := range g.tq1 {
		if n == 0 {
			turns = append(turns, turn{})[:1]
		} else {
			turns = append(turns, turn{})
		}
		for field, to := range map[int]*string{7: &turns[n].from, 8: &turns[n].until} {
			if text := s.text(field); text != "" {
				*to = text
			}
		}
		if patterns := s.repetitions(3); len(patterns) > 0 {
			turns[n].pattern = ""
			for _, p := range patterns {
				turns[n].pattern += p.component(1) + "\n"
			}
		}
		said.NoEnd = said.NoEnd || s.deletes(8)
	}
	if len(turns) == 0 {
		return ""
	}
	if said.From, reason = t.optionalTime(turns[0].from, "the start"); reason != "" {
		return reason
	}
	if said.Until, reason = t.optionalTime(turns[0].until, "the end"); reason != "" {
		return reason
	}
	said.Times, said.AsNeeded = repeats(turns)
	for _, s := range g.tq1 {
		if slices.ContainsFunc(s.repetitions(9), func(e element) bool { return strings.EqualFold(e.component(1), "PRN") }) {
			needed := true
			said.AsNeeded = &needed
		}
	}
	return ""
}

// repeats is how often a day several rules together ask for: not known where that of one is not, where they
// do not hold at the same time, or where some are as needed and some are not.
func repeats(turns []turn) (times *float64, asNeeded *bool) {
	sum, known, n, needed := 0.0, true, 0, 0
	for _, turn := range turns {
		known = known && turn.from == turns[0].from && turn.until == turns[0].until
		for pattern := range strings.Lines(turn.pattern) {
			one, prn := repeat(pattern)
			if n++; one != nil {
				sum += *one
			}
			known = known && one != nil
			if prn != nil && *prn {
				needed++
			}
		}
	}
	if n == 0 {
		return nil, nil
	}
	all := needed == n
	if known && (all || needed == 0) {
		times = &sum
	}
	return times, &all
}

func (t *told) optionalTime(text, what string) (*time.Time, string) {
	if text == "" {
		return nil, ""
	}
	at, reason := stamp(text, t.options.Zone)
	if reason != "" {
		return nil, what + ": " + reason
	}
	return &at, ""
}

var everyN = regexp.MustCompile(`^Q(\d{1,3})(M|H|D|W)$`)

// repeat is how often a day a repeat pattern asks for (HL7 v2 table 0335); PRN is as needed.
func repeat(pattern string) (times *float64, asNeeded *bool) {
	p := strings.ToUpper(strings.TrimSpace(pattern))
	if p == "" {
		return nil, nil
	}
	needed := strings.HasPrefix(p, "PRN") || strings.HasSuffix(p, "PRN")
	asNeeded = &needed
	p = strings.TrimSpace(strings.TrimSuffix(strings.TrimPrefix(p, "PRN"), "PRN"))
	if n, ok := clinical.TimesPerDay(p); ok {
		return &n, asNeeded
	}
	switch p {
	case "QAM", "QPM", "QHS":
		n := 1.0
		return &n, asNeeded
	}
	m := everyN.FindStringSubmatch(p)
	if m == nil {
		return nil, asNeeded
	}
	every, _ := strconv.ParseFloat(m[1], 64)
	days := map[string]float64{"M": 1.0 / 1440, "H": 1.0 / 24, "D": 1, "W": 7}[m[2]]
	if every == 0 {
		return nil, asNeeded
	}
	n := 1 / (every * days)
	return &n, asNeeded
}

func (r Reader) composeOrder(topic string, look records.Look) (records.Composed, error) {
	type body = clinical.Body
	return composeFact(r, topic, clinical.KindOrder, look, func(told []version[orderSaid]) (string, clinical.Status, body) {
		var b clinical.Order
		status := clinical.Active
		for _, v := range told {
			status = v.body.Status
			v.body.into(&b)
		}
		if b.Text == "" && b.ATC == "" && b.RxNorm == "" || b.StartAt.IsZero() {
			return told[0].body.Source, status, nil // it waits for the order that it changes
		}
		return told[0].body.Source, status, b
	})
}

func (s orderSaid) into(b *clinical.Order) {
	if s.Drug != nil {
		b.Drug = *s.Drug
	}
	if s.Dose != nil {
		b.Dose = s.Dose
	}
	set(&b.DoseUnit, s.DoseUnit)
	set(&b.Route, s.Route)
	if s.Times != nil {
		b.TimesPerDay = s.Times
	}
	if s.From != nil {
		b.StartAt = *s.From
	}
	if s.NoEnd {
		b.EndAt = nil
	}
	if s.Until != nil {
		b.EndAt = s.Until
	}
	if s.AsNeeded != nil {
		b.AsNeeded = *s.AsNeeded
	}
}

func (t *told) readDoses() {
	for _, g := range t.orderGroups() {
		for n, rxa := range g.rxa {
			t.dose(g, rxa, n)
		}
	}
	t.readObservations()
}

func (t *told) dose(g *orderGroup, rxa segment, n int) {
	order := orderID(g.orc)
	x := row{key: "RXA " + order + " " + strconv.Itoa(n), part: records.Part{Kind: clinical.KindDose}}
	wrong := func(reason string) { x.reason = reason; t.add(x) }
	status, known := clinical.RXAStatus(rxa.text(20), rxa.text(21))
	if !known {
		wrong("the status of the dose (RXA-20) is not known: " + strconv.Quote(rxa.text(20)))
		return
	}
	at, reason := stamp(rxa.text(3), t.options.Zone)
	switch {
	case !g.known():
		reason = "the message names no patient (PID-3)"
	case rxa.text(3) == "":
		reason = "the dose has no time (RXA-3)"
	}
	if reason != "" {
		wrong(reason)
		return
	}
	id := order
	if id == "" {
		id = t.control
	}
	s := single{owner: g.owner, Kind: clinical.KindDose, Source: id + "/" + rxa.text(2) + "/" + stampOf(at),
		Gone: status == clinical.EnteredInError, NotDone: status == clinical.NotDone}
	d := clinical.Dose{
		Drug: t.drug(rxa.first(5)), GivenAt: at, OrderID: order,
		DoseUnit: unitText(rxa.first(7)), Route: routeOf(g.rxr),
	}
	if d.Text == "" && d.ATC == "" && d.RxNorm == "" && !s.Gone {
		wrong("the dose names no drug (RXA-5)")
		return
	}
	if text := rxa.text(6); text != "999" { // HL7 v2: 999 stands for an amount that is not known
		if d.Dose, reason = amount(text, "the amount (RXA-6)"); reason != "" {
			wrong(reason)
			return
		}
	}
	if !s.Gone {
		s.Dose = &d
	}
	x.status = status
	t.addSingle(x, s)
}
