package demo

import (
	"strconv"
	"time"
)

// formulary gives the codes of the drugs that the ward orders, by generic name.
var formulary = map[string]struct{ atc, rxnorm string }{
	"alfuzosin": {"G04CA01", ""}, "amitriptyline": {"N06AA09", "704"}, "amlodipine": {"C08CA01", ""},
	"amoxicillin": {"J01CA04", ""}, "apixaban": {"B01AF02", ""}, "bisoprolol": {"C07AB07", ""},
	"bumetanide": {"C03CA02", ""}, "candesartan": {"C09CA06", ""}, "ceftriaxone": {"J01DD04", ""},
	"clonidine": {"C02AC01", ""}, "doxazosin": {"C02CA04", ""}, "empagliflozin": {"A10BK03", ""},
	"enoxaparin": {"B01AB05", ""}, "furosemide": {"C03CA01", "4603"}, "gabapentin": {"N02BF01", ""},
	"hydrochlorothiazide": {"C03AA03", "5487"}, "isosorbide mononitrate": {"C01DA14", ""},
	"levodopa": {"N04BA02", ""}, "lisinopril": {"C09AA03", ""}, "losartan": {"C09CA01", ""},
	"metoprolol": {"C07AB02", "6918"}, "midodrine": {"C01CA17", ""}, "mirtazapine": {"N06AX11", "15996"},
	"ondansetron": {"A04AA01", ""}, "oxycodone": {"N02AA05", "7804"}, "pantoprazole": {"A02BC02", ""},
	"paracetamol": {"N02BE01", ""}, "perindopril": {"C09AA04", ""}, "prednisolone": {"H02AB06", ""},
	"quetiapine": {"N05AH04", ""}, "ramipril": {"C09AA05", ""}, "salbutamol": {"R03AC02", ""},
	"sertraline": {"N06AB06", "36437"}, "spironolactone": {"C03DA01", "9997"}, "tamsulosin": {"G04CA02", "77492"},
	"timolol": {"S01ED01", ""}, "tramadol": {"N02AX02", "10689"}, "zopiclone": {"N05CF01", ""},
}

// order is one order and its life; its scheduled doses follow from it.
type order struct {
	c      *chart
	cells  map[string]string // the latest version
	clocks []string
	start  time.Time
	steps  []step
	missed map[string]bool // doses charted as not given, by day and clock
}

// step says what holds from a moment on; a dose of 0 is nothing.
type step struct {
	from time.Time
	dose float64
}

// home re-orders, two hours after admission, what the patient took at home.
func (c *chart) home(drug string, dose float64, unit, route string, clocks ...string) *order {
	return c.orderAt(c.admitted.Add(2*time.Hour), drug, dose, unit, route, clocks...)
}

// start orders a drug at a moment. Without clocks it is given as needed.
func (c *chart) start(daysAgo int, clock, drug string, dose float64, unit, route string, clocks ...string) *order {
	return c.orderAt(c.at(daysAgo, clock), drug, dose, unit, route, clocks...)
}

func (c *chart) orderAt(start time.Time, drug string, dose float64, unit, route string, clocks ...string) *order {
	code := formulary[drug]
	cells := map[string]string{
		"drug": drug, "atc": code.atc, "rxnorm": code.rxnorm, "dose": decimal(dose), "dose_unit": unit, "route": route,
		"start_at": stamp(start), "recorded_at": stamp(start), "status": "active",
	}
	if len(clocks) > 0 {
		cells["times_per_day"] = strconv.Itoa(len(clocks))
	} else {
		cells["as_needed"] = "yes"
	}
	o := &order{c: c, clocks: clocks, start: start, steps: []step{{start, dose}}, missed: map[string]bool{}}
	o.cells = c.fact("orders", start, cells)
	c.orders = append(c.orders, o)
	return o
}

// charted changes cells of the first version: another text, no code.
func (o *order) charted(drug, atc, rxnorm string) *order {
	o.cells["drug"], o.cells["atc"], o.cells["rxnorm"] = drug, atc, rxnorm
	return o
}

// newDrug says that it was not taken before admission.
func (o *order) newDrug() *order { o.cells["new_drug"] = "yes"; return o }

// until gives the order an end from the start.
func (o *order) until(daysAgo int, clock string) *order {
	end := o.c.at(daysAgo, clock)
	o.cells["end_at"] = stamp(end)
	o.steps = append(o.steps, step{end, 0})
	return o
}

func (o *order) version(daysAgo int, clock string, dose float64, change map[string]string) {
	when := o.c.at(daysAgo, clock)
	o.c.again("orders", when, o.cells, change)
	next := map[string]string{}
	for k, v := range o.cells {
		next[k] = v
	}
	for k, v := range change {
		next[k] = v
	}
	o.cells = next
	o.steps = append(o.steps, step{when, dose})
}

func (o *order) dose(daysAgo int, clock string, dose float64) {
	o.version(daysAgo, clock, dose, map[string]string{"dose": decimal(dose)})
}

func (o *order) hold(daysAgo int, clock string) {
	o.version(daysAgo, clock, 0, map[string]string{"status": "on-hold"})
}

func (o *order) resume(daysAgo int, clock string) {
	dose, err := strconv.ParseFloat(o.cells["dose"], 64)
	if err != nil {
		panic(err)
	}
	o.version(daysAgo, clock, dose, map[string]string{"status": "active"})
}

func (o *order) stop(daysAgo int, clock string) {
	o.version(daysAgo, clock, 0, map[string]string{"status": "stopped", "end_at": stamp(o.c.at(daysAgo, clock))})
}

// miss charts a scheduled dose as not given.
func (o *order) miss(daysAgo int, clock string) { o.missed[strconv.Itoa(daysAgo)+" "+clock] = true }

// give charts a dose outside the schedule.
func (o *order) give(daysAgo int, clock string) *order {
	o.chartDose(o.c.at(daysAgo, clock), o.level(o.c.at(daysAgo, clock)), "completed")
	return o
}

func (o *order) level(t time.Time) float64 {
	level := 0.0
	for _, s := range o.steps {
		if !s.from.After(t) {
			level = s.dose
		}
	}
	return level
}

func (o *order) giveScheduled() {
	for day := 30; day >= 0; day-- {
		for _, clock := range o.clocks {
			t := o.c.at(day, clock).Add(time.Duration(o.c.rng.IntN(20)) * time.Minute)
			level := o.level(t)
			if level == 0 || !t.Before(o.c.end()) {
				continue
			}
			status := "completed"
			if o.missed[strconv.Itoa(day)+" "+clock] {
				status = "not-done"
			}
			o.chartDose(t, level, status)
		}
	}
}

func (o *order) chartDose(t time.Time, dose float64, status string) {
	o.c.fact("doses", t, map[string]string{
		"drug": o.cells["drug"], "atc": o.cells["atc"], "rxnorm": o.cells["rxnorm"], "route": o.cells["route"],
		"dose": decimal(dose), "dose_unit": o.cells["dose_unit"], "order_id": o.cells["source_id"],
		"given_at": stamp(t), "status": status,
	})
}
