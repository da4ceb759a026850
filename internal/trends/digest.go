package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// Digest is all that the list and the clock need of one stay: what depends on
// facts alone, worked out once. It holds from AsOf until Until (zero: until the
// facts or the policy change); everything that a window or the clock moves is
// worked out of it for the moment asked.
type Digest struct {
	StayID string
	Stay   clinical.Stay
	AsOf   time.Time
	Until  time.Time

	Sets    []Set
	Serial  Serial
	Changes []Change

	Ordered      []Ordered // active at AsOf, not as-needed
	Given        []Given   // within 24 h before AsOf
	HasDoses     bool      // any dose record at all
	LastDoses    []LastDose
	Peaks        []Peak // positive sets 1 to 4 h after a dose
	Unrecognised []string
	Unknown      []UnknownDrug // those of them that may be active, by a route that is not local
	Exposed      []Exposed     // what E-GIVEN tells of each drug

	Fluids       []FluidEntry // reaching into the 48 h before AsOf, longer for answers and blood loss
	Weight       *WeightChange
	Haemoglobins []HaemoglobinValue // within the bleed window before AsOf

	// NewestVitals is when the newest reading with a believed pressure or pulse was taken
	// that was not taken here (U-FRESH); nil where there is none.
	NewestVitals *time.Time
	// Looks are when the readings of NewestVitals were taken within LooksKept before it, by time.
	Looks []time.Time

	// LowAtRest is the newest systolic at rest under 90 mmHg that no later one of 90 or more
	// follows; nil where there is none. For how long it is told is alerts' to say.
	LowAtRest *AtRest

	// Emergencies are the newest of each kind that no rule ranks. For how long they are told is alerts' to say.
	Emergencies []Emergency

	Restrictions []RestrictionFact // begun, by start
	Clearances   []ClearanceFact   // by time
	Answers      []AnswerFact      // by time

	Conditions  []Coded
	Falls       []FallFact
	Treatments  []TreatmentFact
	Precautions []PrecautionFact
	RiskDrugs   []string   // facts of blood-pressure-lowering or pressor drugs ordered or given in the stay
	RiskFrom    *time.Time // when the first of them was; nil where there is none
}

// Substance names a drug as the rules see it.
type Substance struct {
	Name string
	ATC  string
}

func (s Substance) ingredient() clinical.Ingredient {
	return clinical.Ingredient{Name: s.Name, ATC: s.ATC}
}

// Group is the blood-pressure-lowering group.
func (s Substance) Group() clinical.Group { return clinical.GroupOf(s.ATC) }

// Lowering reports whether the drug lowers blood pressure by its class.
func (s Substance) Lowering() bool { return s.ingredient().Lowering() }

// Contributing reports whether the drug may contribute to a drop.
func (s Substance) Contributing() bool { return s.ingredient().Contributing() }

// Pressor reports whether the drug raises the pressure.
func (s Substance) Pressor() bool { return s.ingredient().Pressor() }

// Ordered is an ingredient and route with an active order.
type Ordered struct {
	Substance
	Route   string
	DailyMG *float64 // nil is unknown
	DDD     *float64 // mg, nil where the route has none
	Orders  []string
}

// Given is one administration of one ingredient.
type Given struct {
	Substance
	Route    string
	At       time.Time
	MG       *float64
	DDD      *float64
	SourceID string
}

// LastDose is the last dose of a blood-pressure-lowering ingredient before the
// latest set (E-LAST).
type LastDose struct {
	Drug    string
	GivenAt time.Time
}

// Peak names a drug and the positive sets that started 1 to 4 h after a dose of it.
type Peak struct {
	Drug  string
	Sets  int
	Facts []string
}

// FluidEntry is an intake or an output in mL.
type FluidEntry struct {
	SourceID  string
	From, To  time.Time
	Direction string
	VolumeML  float64
	What      string
}

// WeightChange is the latest weight less the first of the stay, in kg (E-WEIGHT).
type WeightChange struct {
	KG       float64
	From, To time.Time
	Facts    []string
}

// HaemoglobinValue is a haemoglobin in g/dL.
type HaemoglobinValue struct {
	SourceID string
	At       time.Time
	GDL      float64
}

// Coded is a coded condition; Code is in capitals without its dot. Since is when the
// first version was recorded since which the code has stood without a break.
type Coded struct {
	SourceID string
	Code     string
	Charted  string
	Text     string
	Since    time.Time
}

// FallFact is a fall; Injury is empty where it was not charted. FoundAt is when a
// moderate or major injury was recorded of which an earlier version said less; else the
// zero time.
type FallFact struct {
	SourceID string
	At       time.Time
	Injury   string
	FoundAt  time.Time
	Bleeds   []Bleed // drugs that make it bleed (E-BLEED), by name
	// Unrecognised are the drugs around it that nothing tells, as charted: some may make it bleed.
	Unrecognised []string
}

// TreatmentFact is a treatment of a falling pressure.
type TreatmentFact struct {
	SourceID string
	At       time.Time
	What     string
}

// PrecautionFact is a falls precaution over a time; Here is one charted in this program.
type PrecautionFact struct {
	SourceID string
	What     string
	From     time.Time
	To       *time.Time
	Here     bool
}

// InPlace reports whether the precaution had begun and not ended at t.
func (p PrecautionFact) InPlace(t time.Time) bool {
	return !p.From.After(t) && (p.To == nil || p.To.After(t))
}

// LatestSet is the latest set of all, nil where there is none.
func (d Digest) LatestSet() *Set {
	if len(d.Sets) == 0 {
		return nil
	}
	return &d.Sets[len(d.Sets)-1]
}

// LatestInterpretable is the latest set that can carry a conclusion, or nil.
func (d Digest) LatestInterpretable() *Set {
	return d.lastSet(Set.Interpretable)
}

// LatestPositive is the latest positive set, or nil.
func (d Digest) LatestPositive() *Set {
	return d.lastSet(func(s Set) bool { return s.Finding == Positive })
}

func (d Digest) lastSet(holds func(Set) bool) *Set {
	for n := len(d.Sets) - 1; n >= 0; n-- {
		if holds(d.Sets[n]) {
			return &d.Sets[n]
		}
	}
	return nil
}

// loadWindow is the time over which given doses are summed and a given dose
// makes a drug active (E-LOAD, "active").
const loadWindow = 24 * time.Hour

// fluidWindow is the longest window over which fluids are summed.
const fluidWindow = 48 * time.Hour

// DigestOf works out of a chart all that depends on facts alone. The chart must
// know its stay.
func DigestOf(c clinical.Chart, p clinical.Policy, zone *time.Location) Digest {
	d := Digest{StayID: c.StayID, Stay: *c.Stay, AsOf: c.AsOf, Until: c.Until}
	d.gather(c, p)

	orders := ordersOf(c)
	doses := administeredBy(c, c.AsOf)
	given := givenIn(doses)
	courses := ingredientCourses(orders, c.AsOf, p.Drugs)
	d.Changes = changesOf(courses, d.Stay.AdmittedAt, p.Drugs)
	d.Ordered = orderedAt(courses, c.AsOf)

	readings := readingsOf(c, p.Plausible)
	raw := assemble(readings, clinical.Minutes(p.Sets.WindowMinutes))
	d.LowAtRest, d.Emergencies = lowAtRest(readings, raw), emergencies(readings, raw)
	around := surroundings{
		policy: p, zone: zone, birthDate: d.Stay.BirthDate, restrictions: d.Restrictions,
		pulseUnreliable: pulseUnreliable(orders, given, d.Conditions),
	}
	d.Sets = make([]Set, 0, len(raw))
	for _, r := range raw {
		d.Sets = append(d.Sets, judge(r, around))
	}
	d.Serial = SerialOf(d.Sets, d.Changes, p)
	d.Serial.takeDoses(d.Sets, given, clinical.Hours(p.Drugs.DoseEffectHours))
	d.takeDoses(given, p)
	d.RiskDrugs, d.RiskFrom = riskDrugs(orders, given)
	d.Unrecognised = unrecognised(orders, doses, p.Drugs.OfNoConcern)
	d.Unknown = unknownDrugs(orders, doses, c.AsOf, p.Drugs.OfNoConcern)
	d.Exposed = exposedAt(orders, doses, c.AsOf)
	return d
}

// gather takes from the chart what needs no working out.
func (d *Digest) gather(c clinical.Chart, p clinical.Policy) {
	var weights []clinical.Record
	d.takeStanding(c, p)
	for _, r := range c.Records {
		if r.Body.OwnTime().After(c.AsOf) && r.Kind != clinical.KindFluid {
			continue // has not happened yet
		}
		switch b := r.Body.(type) {
		case clinical.Dose:
			d.HasDoses = true
		case clinical.Fluid:
			if reachesInto(b, c.AsOf, c.AsOf.Sub(d.fluidsFrom(p))) {
				d.Fluids = append(d.Fluids, FluidEntry{r.SourceID, b.From, b.To, b.Direction, b.VolumeML, b.What})
			}
		case clinical.Weight:
			weights = append(weights, r)
		case clinical.Lab:
			if b.LOINC == clinical.Haemoglobin && InWindow(b.TakenAt, c.AsOf, clinical.Hours(p.Causes.BleedWindowHours)) {
				d.Haemoglobins = append(d.Haemoglobins, HaemoglobinValue{r.SourceID, b.TakenAt, b.Value})
			}
		case clinical.Condition:
			d.Conditions = append(d.Conditions, codedOf(r, b))
		case clinical.Fall:
			around := BleedingAround(c, b.FellAt)
			unknown := slices.DeleteFunc(around.Unrecognised, func(text string) bool { return ofNoConcern(text, p.Drugs.OfNoConcern) })
			d.Falls = append(d.Falls, FallFact{r.SourceID, b.FellAt, b.Injury, foundAt(r), around.bleeds(), unknown})
		case clinical.Treatment:
			d.Treatments = append(d.Treatments, TreatmentFact{r.SourceID, b.GivenAt, b.What})
		case clinical.Precaution:
			d.Precautions = append(d.Precautions, PrecautionFact{r.SourceID, b.Precaution, b.StartedAt, b.EndedAt, r.TakenHere()})
		}
	}
	d.Weight = weightChange(weights)
	slices.SortFunc(d.Haemoglobins, func(a, b HaemoglobinValue) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.SourceID, b.SourceID))
	})
	slices.SortFunc(d.Falls, func(a, b FallFact) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.SourceID, b.SourceID))
	})
}

func normalICD(code string) string {
	return strings.ToUpper(strings.NewReplacer(".", "", " ", "").Replace(code))
}

// weightApart is how far apart two weights must lie to be compared (E-WEIGHT).
const weightApart = 12 * time.Hour

func weightChange(weights []clinical.Record) *WeightChange {
	if len(weights) < 2 {
		return nil
	}
	slices.SortFunc(weights, func(a, b clinical.Record) int {
		return cmp.Or(a.Body.OwnTime().Compare(b.Body.OwnTime()), strings.Compare(a.SourceID, b.SourceID))
	})
	first, last := weights[0], weights[len(weights)-1]
	from, to := first.Body.(clinical.Weight), last.Body.(clinical.Weight)
	if to.MeasuredAt.Sub(from.MeasuredAt) < weightApart {
		return nil
	}
	return &WeightChange{
		KG: to.KG - from.KG, From: from.MeasuredAt, To: to.MeasuredAt,
		Facts: []string{first.SourceID, last.SourceID},
	}
}

// ordersOf lists the lives of the stay's orders, those that ever ran.
func ordersOf(c clinical.Chart) []orderCourse {
	var out []orderCourse
	for _, r := range c.Records {
		if r.Kind != clinical.KindOrder {
			continue
		}
		if o, ok := courseOf(r, c.AsOf); ok {
			out = append(out, o)
		}
	}
	return out
}

// orderedAt lists the ingredients with an order that is active at t.
func orderedAt(courses []ingredientCourse, t time.Time) []Ordered {
	out := []Ordered{}
	for _, c := range courses {
		var orders []string
		for _, o := range c.orders {
			if o.activeAt(t) {
				orders = append(orders, o.sourceID)
			}
		}
		if len(orders) == 0 {
			continue
		}
		o := Ordered{Substance: Substance{c.ingredient.Name, c.ingredient.ATC}, Route: string(c.route), Orders: orders}
		o.DailyMG, _ = c.levelAt(t)
		if ddd, ok := c.ingredient.DDD(c.route); ok {
			o.DDD = &ddd
		}
		out = append(out, o)
	}
	return out
}

// pulseUnreliable tells at which moments the pulse may be held back
// (F-RESPONSE): a rate-limiting drug ordered or given in the 24 h before, atrial
// fibrillation or a pacemaker.
func pulseUnreliable(orders []orderCourse, given []Given, conditions []Coded) func(time.Time) bool {
	for _, c := range conditions {
		if strings.HasPrefix(c.Code, "I48") || strings.HasPrefix(c.Code, "Z950") {
			return func(time.Time) bool { return true }
		}
	}
	return func(at time.Time) bool {
		from := at.Add(-loadWindow)
		for _, o := range orders {
			if o.asNeeded || !slices.ContainsFunc(o.parts, func(p part) bool { return p.RateLimiting() }) {
				continue
			}
			for _, r := range o.runs {
				if !r.from.After(at) && (r.to.IsZero() || r.to.After(from)) {
					return true
				}
			}
		}
		return slices.ContainsFunc(given, func(g Given) bool {
			return g.ingredient().RateLimiting() && InWindow(g.At, at, loadWindow)
		})
	}
}

// takeDoses works out what the given doses say of the sets, and keeps the
// recent ones.
func (d *Digest) takeDoses(given []Given, p clinical.Policy) {
	reference := d.AsOf
	if s := d.LatestSet(); s != nil {
		reference = s.StartedAt
	}
	last := map[string]time.Time{}
	peaks := map[string]*Peak{}
	peakSets := map[string]map[int]bool{}
	from, to := clinical.Hours(p.DoseReview.PeakFromHours), clinical.Hours(p.DoseReview.PeakToHours)
	for _, g := range given {
		if InWindow(g.At, d.AsOf, loadWindow) {
			d.Given = append(d.Given, g)
		}
		if !g.Lowering() {
			continue
		}
		if !g.At.After(reference) {
			last[g.Name] = g.At // in time order: the last one stays
		}
		for n, s := range d.Sets {
			after := s.StartedAt.Sub(g.At)
			if s.Finding != Positive || after < from || after > to {
				continue
			}
			if peaks[g.Name] == nil {
				peaks[g.Name], peakSets[g.Name] = &Peak{Drug: g.Name}, map[int]bool{}
			}
			peakSets[g.Name][n] = true
			peaks[g.Name].Facts = append(append(peaks[g.Name].Facts, g.SourceID), s.Facts...)
		}
	}
	for name, at := range last {
		d.LastDoses = append(d.LastDoses, LastDose{name, at})
	}
	slices.SortFunc(d.LastDoses, func(a, b LastDose) int { return strings.Compare(a.Drug, b.Drug) })
	for name, peak := range peaks {
		peak.Sets = len(peakSets[name])
		peak.Facts = Distinct(peak.Facts)
		d.Peaks = append(d.Peaks, *peak)
	}
	slices.SortFunc(d.Peaks, func(a, b Peak) int { return strings.Compare(a.Drug, b.Drug) })
}

// Distinct returns the values in their order, each once.
func Distinct(values []string) []string {
	seen := make(map[string]bool, len(values))
	out := []string{}
	for _, v := range values {
		if !seen[v] {
			seen[v] = true
			out = append(out, v)
		}
	}
	return out
}

// riskDrugs are the facts by which a blood-pressure-lowering or pressor drug was
// ordered or given in the stay, and when the first of them was. As-needed orders
// do not count, given doses do.
func riskDrugs(orders []orderCourse, given []Given) (facts []string, from *time.Time) {
	add := func(fact string, at time.Time) {
		facts = append(facts, fact)
		if from == nil || at.Before(*from) {
			from = &at
		}
	}
	for _, o := range orders {
		if o.asNeeded {
			continue
		}
		if slices.ContainsFunc(o.parts, func(p part) bool { return p.Lowering() || p.Pressor() }) {
			add(o.sourceID, o.runs[0].from)
		}
	}
	for _, g := range given {
		if g.Lowering() || g.Pressor() {
			add(g.SourceID, g.At)
		}
	}
	return Distinct(facts), from
}
