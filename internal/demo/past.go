package demo

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"time"
)

// pastDays is how far back the past of the demo unit reaches: twelve whole months and
// the one that is not over.
const pastDays = 400

// Past writes the months before the stories: invented stays without names, one after
// the other in each bed until the story's patient comes. They are over, so no list
// holds them; the unit over time is made of them. It is pure, as Generate is, and not
// among the files of seed/feed: the stories alone are what the list is checked with.
func Past(anchor time.Time) []File {
	p := past{begin: anchor.AddDate(0, 0, -pastDays), rows: map[string][]row{}}
	for n, bed := range bedsOf(anchor) {
		p.rng = rand.New(rand.NewPCG(uint64(n)+1, 31))
		p.fill(bed)
	}
	var out []File
	for _, kind := range Kinds {
		if rows := p.rows[kind]; len(rows) > 0 {
			slices.SortStableFunc(rows, func(a, b row) int { return a.when.Compare(b.when) })
			out = append(out, File{Name: kind + "-0-past.csv", Data: encode(rows)})
		}
	}
	return out
}

// bedUntil is a bed and when the story's patient came to it.
type bedUntil struct {
	unit, bed string
	until     time.Time
}

func bedsOf(anchor time.Time) []bedUntil {
	var out []bedUntil
	for _, s := range Stories() {
		c := newChart(s, anchor)
		s.tell(c)
		for _, r := range c.rows {
			if r.kind != "stays" || r.part != first {
				continue
			}
			b := bedUntil{r.cells["unit"], r.cells["bed"], r.when}
			at := slices.IndexFunc(out, func(o bedUntil) bool { return o.unit == b.unit && o.bed == b.bed })
			if at < 0 {
				out = append(out, b)
			} else if b.until.Before(out[at].until) {
				out[at].until = b.until
			}
		}
	}
	slices.SortFunc(out, func(a, b bedUntil) int { return strings.Compare(a.unit+" "+a.bed, b.unit+" "+b.bed) })
	return out
}

type past struct {
	begin time.Time
	rng   *rand.Rand
	rows  map[string][]row
	stays int
}

// chance is true in a share p of cases.
func (p *past) chance(share float64) bool { return p.rng.Float64() < share }

// hours is a random time from low to high hours, in whole minutes.
func (p *past) hours(low, high float64) time.Duration {
	return time.Duration((low+(high-low)*p.rng.Float64())*60) * time.Minute
}

// later is from 0 at the beginning to 1 at the anchor: the unit learns over the year.
func (p *past) later(t time.Time) float64 { return t.Sub(p.begin).Hours() / 24 / pastDays }

// fill lays stays into a bed, from its last one back.
func (p *past) fill(b bedUntil) {
	for end := b.until.Add(-p.hours(3, 20)); end.After(p.begin); {
		admitted := end.Add(-p.hours(2*24, 10*24)).Truncate(time.Minute)
		p.stays++
		s := &pastStay{past: p, id: fmt.Sprintf("H%05d", p.stays), admitted: admitted, left: end.Truncate(time.Minute)}
		s.write("stays", admitted, map[string]string{
			"stay_id": s.id, "patient_id": fmt.Sprintf("HP%05d", p.stays), "unit": b.unit, "bed": b.bed, "admitted_at": stamp(admitted),
			"discharged_at": stamp(s.left), "birth_date": fmt.Sprintf("%d-%02d-15", admitted.Year()-58-p.rng.IntN(35), 1+p.rng.IntN(12)),
			"sex": []string{"female", "male"}[p.rng.IntN(2)], "ambulatory": "yes",
		})
		s.live()
		if s.left.After(p.begin.AddDate(0, 0, pastDays-routineDays)) {
			s.routine(rand.New(rand.NewPCG(uint64(p.stays), 77)))
		}
		end = admitted.Add(-p.hours(3, 20))
	}
}

type pastStay struct {
	*past
	id             string
	admitted, left time.Time
	facts, sets    int
	hasPrecautions bool
}

func (s *pastStay) write(kind string, when time.Time, cells map[string]string) {
	cells["status"] = "final"
	s.rows[kind] = append(s.rows[kind], row{kind: kind, when: when, cells: cells})
}

func (s *pastStay) fact(kind string, when time.Time, cells map[string]string) {
	s.facts++
	cells["source_id"], cells["stay_id"] = fmt.Sprintf("%s-%s-%03d", letters[kind], s.id, s.facts), s.id
	s.write(kind, when, cells)
}

// live tells a stay: the screening set, the sets that follow from it, and falls.
func (s *pastStay) live() {
	lag := s.hours(2, 22) // of 24 h (policy)
	if !s.chance(0.62 + 0.26*s.later(s.admitted)) {
		lag = s.hours(25, 60)
	}
	at, good := s.admitted.Add(lag), 0
	positive := s.chance(0.13)
	needed := 1 // good sets in a row
	for good < needed && at.Before(s.left) {
		s.set(at, positive)
		good++
		if positive {
			s.takePrecautions(at.Add(s.hours(0.2, 2)))
			good, needed = 0, 3
		}
		at = at.Add(s.hours(7, 13.5-s.later(at))) // of 12 h (policy)
		positive = needed > 1 && s.chance(0.2)
	}
	for week := s.admitted.Add(s.hours(6*24, 8*24)); week.Before(s.left); week = week.Add(s.hours(6*24, 8*24)) {
		s.set(week, s.chance(0.08))
	}
	for day := s.admitted; day.Before(s.left); day = day.Add(24 * time.Hour) {
		if at := day.Add(s.hours(0, 24)); s.chance(s.hazard(day)) && at.Before(s.left) {
			s.fall(at)
		}
	}
}

// routineDays is for how long before the stories readings of every day are told: as long as the
// feeds' habit is looked back at.
const routineDays = 65

// routine charts the readings of every day, of which nobody writes down the position. Their chance
// is one of their own, so that they change nothing of what else is told.
func (s *pastStay) routine(chance *rand.Rand) {
	for at := s.admitted.Add(time.Hour); at.Before(s.left); at = at.Add(time.Duration(9+chance.IntN(7)) * time.Hour) {
		s.fact("vitals", at, map[string]string{
			"taken_at": stamp(at), "systolic": strconv.Itoa(112 + chance.IntN(40)), "diastolic": strconv.Itoa(62 + chance.IntN(22)),
			"heart_rate": strconv.Itoa(60 + chance.IntN(28)),
		})
	}
}

// hazard is the chance of a fall on a day: about five per 1,000 patient-days, with
// one bad month.
func (s *pastStay) hazard(day time.Time) float64 {
	if when := s.later(day); when > 0.42 && when < 0.5 {
		return 0.019
	}
	return 0.0042
}

var pastInjuries = []string{"none", "none", "none", "none", "none", "none", "none", "minor", "minor", "minor", "moderate", "major", ""}

func (s *pastStay) fall(at time.Time) {
	s.fact("falls", at, map[string]string{
		"fell_at": stamp(at), "injury": pastInjuries[s.rng.IntN(len(pastInjuries))],
		"assisted": []string{"yes", "no", "no"}[s.rng.IntN(3)],
	})
	s.takePrecautions(at.Add(s.hours(0.2, 3)))
	after := at.Add(s.hours(1, 5)) // of 4 h (policy)
	if s.chance(0.85) && after.Before(s.left) {
		s.set(after, s.chance(0.2))
	}
}

// takePrecautions puts the precautions in place once, now and then without one of them.
func (s *pastStay) takePrecautions(at time.Time) {
	if s.hasPrecautions || !at.Before(s.left) {
		return
	}
	s.hasPrecautions = true
	for _, name := range append(slices.Clone(bundle), "bed alarm") {
		if s.chance(0.95 + 0.04*s.later(at)) {
			s.fact("precautions", at, map[string]string{"precaution": name, "started_at": stamp(at)})
		}
	}
}

// set charts a set: lying, then standing at 1 and 3 min, the minutes not always.
func (s *pastStay) set(at time.Time, positive bool) {
	s.sets++
	drop := s.rng.IntN(14)
	if positive {
		drop = 22 + s.rng.IntN(16)
	}
	systolic, pulse := 118+s.rng.IntN(38), 62+s.rng.IntN(24)
	charted := s.chance(0.6 + 0.3*s.later(at))
	reading := func(after time.Duration, position, minutes string, systolic, pulse int) {
		when := at.Add(after)
		cells := map[string]string{
			"taken_at": stamp(when), "position": position, "set_id": fmt.Sprintf("SET-%s-%02d", s.id, s.sets), "limb": "left arm",
			"systolic": strconv.Itoa(s.read(when, systolic)), "diastolic": strconv.Itoa(64 + s.rng.IntN(20)), "heart_rate": strconv.Itoa(pulse),
		}
		if charted {
			cells["minutes_in_position"] = minutes
		}
		s.fact("vitals", when, cells)
	}
	reading(0, "lying", "5", systolic, pulse)
	reading(2*time.Minute, "standing", "1", systolic-drop, pulse+8+s.rng.IntN(10))
	if s.chance(0.9) {
		reading(4*time.Minute, "standing", "3", systolic-drop+s.rng.IntN(6), pulse+6+s.rng.IntN(10))
	}
}

// read is a pressure as somebody writes it down: rounded to ten now and then, less
// often since the unit was shown its last digits.
func (s *pastStay) read(when time.Time, systolic int) int {
	rounded := 0.26
	if s.later(when) > 0.6 {
		rounded = 0.07
	}
	if s.chance(rounded) {
		return (systolic + 5) / 10 * 10
	}
	return systolic
}
