package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"
)

// chart is what a story writes on. Moments are told as days before the anchor
// and a clock time, with the anchor standing at 10:00 of day 0: at(1, "08:00")
// is 26 hours before it.
type chart struct {
	story    Story
	anchor   time.Time
	rng      *rand.Rand // small variation of ordinary readings; seeded by the stay
	rows     []row
	count    map[string]int
	admitted time.Time
	left     time.Time // discharge, if the stay has ended
	stay     map[string]string
	orders   []*order
	sets     []time.Time
	setIDs   bool   // whether the sets carry a set_id or must be inferred
	limb     string // where the cuff usually sits
	rounds   []round
}

// round is a stretch of ordinary readings around one level.
type round struct {
	from, to time.Time
	level    pressure
}

type pressure struct{ systolic, diastolic, pulse int }

func newChart(s Story, anchor time.Time) *chart {
	number, err := strconv.ParseUint(s.StayID[1:], 10, 64)
	if err != nil {
		panic(err)
	}
	return &chart{
		story: s, anchor: anchor, count: map[string]int{}, limb: "left arm",
		rng: rand.New(rand.NewPCG(number, 20)),
	}
}

func (c *chart) at(daysAgo int, clock string) time.Time {
	h, m, ok := strings.Cut(clock, ":")
	hours, err1 := strconv.Atoi(h)
	minutes, err2 := strconv.Atoi(m)
	if !ok || err1 != nil || err2 != nil {
		panic("demo: clock " + clock)
	}
	return c.anchor.Add(-10*time.Hour - time.Duration(daysAgo)*24*time.Hour +
		time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute)
}

// stamp writes a moment as the feed does; the zero moment is an empty cell.
func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

func (c *chart) write(kind string, p part, when time.Time, cells map[string]string) {
	c.rows = append(c.rows, row{kind: kind, part: p, when: when, cells: cells})
}

var letters = map[string]string{
	"vitals": "V", "orders": "O", "doses": "D", "fluids": "I", "weights": "W",
	"labs": "L", "conditions": "C", "precautions": "P", "falls": "F", "treatments": "T",
	"restrictions": "R", "answers": "A",
}

// fact writes the first version of a fact and returns its cells.
func (c *chart) fact(kind string, when time.Time, cells map[string]string) map[string]string {
	c.count[kind]++
	cells["source_id"] = fmt.Sprintf("%s-%s-%03d", letters[kind], c.story.StayID, c.count[kind])
	cells["stay_id"] = c.story.StayID
	if cells["status"] == "" {
		cells["status"] = "final"
	}
	c.write(kind, first, when, cells)
	return cells
}

// again writes a later version of a fact: its cells with some of them changed.
func (c *chart) again(kind string, when time.Time, cells, change map[string]string) {
	next := map[string]string{}
	for k, v := range cells {
		next[k] = v
	}
	for k, v := range change {
		next[k] = v
	}
	next["recorded_at"] = stamp(when)
	c.write(kind, later, when, next)
}

// admit opens the stay, in the unit and bed of the story.
func (c *chart) admit(daysAgo int, clock string) {
	c.admitTo(daysAgo, clock, c.story.Unit, c.story.Bed)
}

// admitTo opens the stay in another bed, for those who are moved later.
func (c *chart) admitTo(daysAgo int, clock, unit, bed string) {
	c.admitted = c.at(daysAgo, clock)
	c.stay = map[string]string{
		"stay_id": c.story.StayID, "patient_id": c.story.PatientID, "unit": unit, "bed": bed,
		"admitted_at": stamp(c.admitted), "name": c.story.Patient, "birth_date": c.story.Born,
		"sex": c.story.Sex, "ambulatory": "yes", "status": "final", "recorded_at": stamp(c.admitted),
	}
	c.write("stays", first, c.admitted, c.stay)
}

// notAmbulatory charts on admission that the patient does not stand.
func (c *chart) notAmbulatory() { c.stay["ambulatory"] = "no" }

func (c *chart) move(daysAgo int, clock, unit, bed string) {
	c.again("stays", c.at(daysAgo, clock), c.stay, map[string]string{"unit": unit, "bed": bed})
	moved := map[string]string{}
	for k, v := range c.stay {
		moved[k] = v
	}
	moved["unit"], moved["bed"] = unit, bed
	c.stay = moved
}

// discharge charts when the patient leaves; a negative day is a plan.
func (c *chart) discharge(chartedDaysAgo int, chartedClock string, daysAgo int, clock string) {
	leaves := c.at(daysAgo, clock)
	c.again("stays", c.at(chartedDaysAgo, chartedClock), c.stay, map[string]string{"discharged_at": stamp(leaves)})
	if leaves.Before(c.anchor) {
		c.left = leaves
	}
}

// end is when the stay's charting stops.
func (c *chart) end() time.Time {
	if c.left.IsZero() {
		return c.anchor
	}
	return c.left
}

// close writes what follows from the story: scheduled doses and the ordinary
// readings between the sets.
func (c *chart) close() {
	for _, o := range c.orders {
		o.giveScheduled()
	}
	c.walkRounds()
}

// --- readings ---

// reading is one pressure with its circumstances.
type reading struct {
	position string
	value    string // "142/78 70": systolic, diastolic, pulse; parts may be absent
	minutes  float64
	charted  bool // whether the minutes in position are charted
	after    time.Duration
	limb     string
	symptoms string
	stopped  bool
}

func lying(value string) reading {
	return reading{position: "lying", value: value, minutes: 5, charted: true}
}

func sitting(value string) reading {
	return reading{position: "sitting", value: value, minutes: 5, charted: true}
}

func standing(minutes float64, value string) reading {
	after := time.Minute + time.Duration(minutes*float64(time.Minute))
	return reading{position: "standing", value: value, minutes: minutes, charted: true, after: after}
}

func (r reading) rested(minutes float64) reading { r.minutes = minutes; return r }
func (r reading) uncharted() reading             { r.charted = false; return r }
func (r reading) on(limb string) reading         { r.limb = limb; return r }
func (r reading) feels(symptoms string) reading  { r.symptoms = symptoms; return r }
func (r reading) stop() reading                  { r.stopped = true; return r }
func (r reading) later(d time.Duration) reading  { r.after = d; return r }

// set charts an orthostatic set that begins then, and returns its readings'
// cells so that a story can correct or retract them.
func (c *chart) set(daysAgo int, clock string, readings ...reading) []map[string]string {
	start := c.at(daysAgo, clock)
	c.sets = append(c.sets, start)
	id := ""
	if c.setIDs {
		id = fmt.Sprintf("SET-%s-%02d", c.story.StayID, len(c.sets))
	}
	var cells []map[string]string
	for _, r := range readings {
		cells = append(cells, c.take(start.Add(r.after), r, id))
	}
	return cells
}

// plain charts a single reading outside any set.
func (c *chart) plain(daysAgo int, clock, position, value string) map[string]string {
	return c.take(c.at(daysAgo, clock), reading{position: position, value: value}, "")
}

func (c *chart) take(taken time.Time, r reading, setID string) map[string]string {
	charted := taken.Add(time.Duration(1+c.rng.IntN(4)) * time.Minute)
	if charted.After(c.end()) {
		charted = taken
	}
	p := parsePressure(r.value)
	cells := map[string]string{
		"taken_at": stamp(taken), "position": r.position, "set_id": setID,
		"symptoms": r.symptoms, "recorded_at": stamp(charted),
		"systolic": number(p.systolic), "diastolic": number(p.diastolic), "heart_rate": number(p.pulse),
	}
	if p.systolic > 0 {
		cells["limb"] = c.limb
		if r.limb != "" {
			cells["limb"] = r.limb
		}
	}
	if r.charted {
		cells["minutes_in_position"] = strconv.FormatFloat(r.minutes, 'f', -1, 64)
	}
	if r.stopped {
		cells["stopped_early"] = "yes"
	}
	return c.fact("vitals", taken, cells)
}

func number(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// parsePressure reads "142/78 70", "142/78" or "".
func parsePressure(s string) pressure {
	var p pressure
	if s == "" {
		return p
	}
	bp, pulse, hasPulse := strings.Cut(s, " ")
	high, low, ok := strings.Cut(bp, "/")
	var err error
	read := func(s string) int {
		n, e := strconv.Atoi(s)
		if e != nil {
			err = e
		}
		return n
	}
	p.systolic, p.diastolic = read(high), read(low)
	if hasPulse {
		p.pulse = read(pulse)
	}
	if !ok || err != nil {
		panic("demo: pressure " + s)
	}
	return p
}

// correct charts a fact again with some cells changed.
func (c *chart) correct(kind string, daysAgo int, clock string, cells, change map[string]string) {
	change["status"] = "corrected"
	c.again(kind, c.at(daysAgo, clock), cells, change)
}

// retract takes readings back: they were never this patient's.
func (c *chart) retract(daysAgo int, clock string, readings ...map[string]string) {
	for _, cells := range readings {
		when := c.at(daysAgo, clock)
		c.write("vitals", later, when, map[string]string{
			"source_id": cells["source_id"], "stay_id": cells["stay_id"],
			"recorded_at": stamp(when), "status": "entered-in-error",
		})
	}
}

// level is the ordinary pressure between the sets, from that day on.
func (c *chart) level(value string) {
	c.rounds = append(c.rounds, round{from: c.admitted, to: c.end(), level: parsePressure(value)})
}

// levelFrom changes the ordinary pressure from a moment on.
func (c *chart) levelFrom(daysAgo int, clock, value string) {
	from := c.at(daysAgo, clock)
	c.rounds[len(c.rounds)-1].to = from
	c.rounds = append(c.rounds, round{from: from, to: c.end(), level: parsePressure(value)})
}

// measuredUntil ends the ordinary readings at a moment: nobody comes any more.
func (c *chart) measuredUntil(daysAgo int, clock string) {
	c.rounds[len(c.rounds)-1].to = c.at(daysAgo, clock)
}

// walkRounds charts the four ordinary readings of a day. They keep clear of
// the sets, so that none is taken for a part of one.
func (c *chart) walkRounds() {
	for day := 30; day >= 0; day-- {
		for _, visit := range []struct {
			clock, position string
			systolic, pulse int // the hour's lean: lower at night, highest late in the day
		}{
			{"00:20", "lying", -7, -5}, {"05:25", "", -3, -2}, {"11:50", "sitting", 1, 2}, {"17:05", "", 4, 1},
		} {
			t := c.at(day, visit.clock).Add(time.Duration(c.rng.IntN(15)) * time.Minute)
			sway, swayPulse := c.rng.IntN(9)-4, c.rng.IntN(7)-3
			for _, r := range c.rounds {
				if t.Before(r.from.Add(20*time.Minute)) || !t.Before(r.to) || c.nearSet(t) {
					continue
				}
				p := pressure{
					systolic:  c.human(r.level.systolic + visit.systolic + sway),
					diastolic: c.human(r.level.diastolic + (visit.systolic+sway)/2),
					pulse:     r.level.pulse + visit.pulse + swayPulse,
				}
				c.take(t, reading{position: visit.position, value: fmt.Sprintf("%d/%d %d", p.systolic, p.diastolic, p.pulse)}, "")
			}
		}
	}
}

// human prefers even digits, as people do who read a dial.
func (c *chart) human(v int) int {
	if v%2 != 0 && c.rng.IntN(10) < 6 {
		return v - 1
	}
	return v
}

func (c *chart) nearSet(t time.Time) bool {
	for _, s := range c.sets {
		if math.Abs(t.Sub(s).Minutes()) < 45 {
			return true
		}
	}
	return false
}

// --- the rest of the chart ---

func (c *chart) has(icd10, text string) {
	when := c.admitted.Add(2 * time.Hour)
	c.fact("conditions", when, map[string]string{"icd10": icd10, "text": text, "recorded_at": stamp(when)})
}

var bundle = []string{"assisted rising", "call light in reach", "non-slip footwear", "bed low and locked", "toileting schedule"}

// precautions puts precautions in place and returns their cells by name.
func (c *chart) precautions(daysAgo int, clock string, names ...string) map[string]map[string]string {
	when := c.at(daysAgo, clock)
	put := map[string]map[string]string{}
	for _, name := range names {
		put[name] = c.fact("precautions", when, map[string]string{"precaution": name, "started_at": stamp(when), "recorded_at": stamp(when)})
	}
	return put
}

func (c *chart) endPrecaution(daysAgo int, clock string, cells map[string]string) {
	when := c.at(daysAgo, clock)
	c.again("precautions", when, cells, map[string]string{"ended_at": stamp(when)})
}

func (c *chart) fell(daysAgo int, clock, injury, assisted string, chartedAfter time.Duration) {
	when := c.at(daysAgo, clock)
	c.fact("falls", when, map[string]string{
		"fell_at": stamp(when), "injury": injury, "assisted": assisted, "recorded_at": stamp(when.Add(chartedAfter)),
	})
}

// restricted charts a limb that must not be measured.
func (c *chart) restricted(daysAgo int, clock, limb, reason string) {
	t := c.at(daysAgo, clock)
	c.fact("restrictions", t, map[string]string{"limb": limb, "reason": reason, "started_at": stamp(t), "recorded_at": stamp(t)})
}

// answered charts why a recheck that was owed was not taken.
func (c *chart) answered(daysAgo int, clock, answer, reason string) {
	t := c.at(daysAgo, clock)
	c.fact("answers", t, map[string]string{"answered_at": stamp(t), "answer": answer, "reason": reason, "recorded_at": stamp(t)})
}

func (c *chart) treated(daysAgo int, clock, kind string) {
	when := c.at(daysAgo, clock)
	c.fact("treatments", when, map[string]string{"given_at": stamp(when), "kind": kind})
}

func (c *chart) haemoglobin(daysAgo int, clock string, gramsPerDecilitre float64) {
	c.lab(daysAgo, clock, "718-7", "g/dL", gramsPerDecilitre)
}

// lab charts a laboratory value, recorded 40 minutes after it was taken.
func (c *chart) lab(daysAgo int, clock, loinc, unit string, value float64) {
	when := c.at(daysAgo, clock)
	c.fact("labs", when, map[string]string{
		"taken_at": stamp(when), "loinc": loinc, "value": decimal(value), "unit": unit,
		"recorded_at": stamp(when.Add(40 * time.Minute)),
	})
}

// chemistry charts potassium and sodium in mmol/L, creatinine in mg/dL and the estimated
// filtration (CKD-EPI 2021) in mL/min/1.73 m2 of one morning.
func (c *chart) chemistry(daysAgo int, potassium, sodium, creatinine, filtration float64) {
	c.lab(daysAgo, "06:20", "2823-3", "mmol/L", potassium)
	c.lab(daysAgo, "06:20", "2951-2", "mmol/L", sodium)
	c.lab(daysAgo, "06:20", "2160-0", "mg/dL", creatinine)
	c.lab(daysAgo, "06:20", "98979-8", "mL/min/{1.73_m2}", filtration)
}

// weights charts a weight at six each morning from that day on; 0 is a
// morning without one. It returns the cells of those charted.
func (c *chart) weights(fromDaysAgo int, kilograms ...float64) []map[string]string {
	var charted []map[string]string
	for i, kg := range kilograms {
		if kg == 0 {
			continue
		}
		when := c.at(fromDaysAgo-i, "06:00").Add(time.Duration(c.rng.IntN(20)) * time.Minute)
		charted = append(charted, c.fact("weights", when, map[string]string{
			"measured_at": stamp(when), "weight": decimal(kg), "weight_unit": "kg",
		}))
	}
	return charted
}

func decimal(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// fluid charts one entry.
func (c *chart) fluid(from, to time.Time, direction, kind string, millilitres int) {
	c.fact("fluids", to, map[string]string{
		"from": stamp(from), "to": stamp(to), "direction": direction, "kind": kind,
		"volume": strconv.Itoa(millilitres), "volume_unit": "mL",
	})
}

// event charts a loss or a drink that has one moment.
func (c *chart) event(daysAgo int, clock, direction, kind string, millilitres int) {
	t := c.at(daysAgo, clock)
	c.fluid(t, t, direction, kind, millilitres)
}

// balance charts the 24 hours that end at ten on that day in four blocks of
// six hours, with nothing left out: a balance that rules may use.
func (c *chart) balance(endDaysAgo int, oral, iv, urine int) {
	end := c.at(endDaysAgo, "10:00")
	drinks, passes := [4]int{36, 32, 6, 26}, [4]int{33, 25, 18, 24} // percent of the day
	for i := range 4 {
		from := end.Add(time.Duration(i-4) * 6 * time.Hour)
		to := from.Add(6 * time.Hour)
		if from.Before(c.admitted) {
			continue
		}
		c.fluid(from, to, "in", "oral", tens(oral*drinks[i]/100))
		if iv > 0 {
			c.fluid(from, to, "in", "iv", tens(iv/4))
		}
		c.fluid(from, to, "out", "urine", tens(urine*passes[i]/100))
	}
}

// shift charts one twelve-hour shift, day (from 07:00) or night (to 07:00 of
// that day); a side of 0 was not charted, which makes the balance incomplete.
func (c *chart) shift(daysAgo int, which string, in, out int) {
	from, to := c.at(daysAgo, "07:00"), c.at(daysAgo, "19:00")
	if which == "night" {
		from, to = c.at(daysAgo+1, "19:00"), c.at(daysAgo, "07:00")
	}
	if in > 0 {
		c.fluid(from, to, "in", "oral", in)
	}
	if out > 0 {
		c.fluid(from, to, "out", "urine", out)
	}
}

func tens(ml int) int { return (ml + 5) / 10 * 10 }
