package doses

import (
	"slices"

	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// everyDrug is the whole list of drugs of a stay.
type everyDrug struct {
	Count string
	Drugs []everyRow
}

// everyRow is one drug of the list. Over is true where no order of it runs.
type everyRow struct {
	Name, Class string
	Over        bool
	Orders      []string
	Given       string
	Last        *frame.Moment
}

// everyDrugOf lists those with a running order first, each part by name.
// unrecognised are the charted texts that nobody can tell, but for those of no concern.
func everyDrugOf(t frame.Times, drugs []trends.StayDrug, unrecognised []string) everyDrug {
	var v everyDrug
	running := 0
	for _, over := range []bool{false, true} {
		for _, d := range drugs {
			if d.Running() != over {
				v.Drugs = append(v.Drugs, everyRowOf(t, d, slices.Contains(unrecognised, d.Name)))
			}
		}
		if !over {
			running = len(v.Drugs)
		}
	}
	v.Count = text.Say("dosereview.drugs-now", len(v.Drugs), running)
	return v
}

func everyRowOf(t frame.Times, d trends.StayDrug, unknown bool) everyRow {
	r := everyRow{
		Name: d.Name, Class: text.DrugClass(d.Substance), Over: !d.Running(), Given: text.Say("dosereview.records", d.Given),
	}
	switch {
	case d.Local:
		r.Class = text.Say("dosereview.class-local")
	case unknown:
		r.Class = text.Say("dosereview.class-unknown")
	}
	if d.NotDone > 0 {
		r.Given = text.Say("dosereview.records-held", d.Given, d.NotDone)
	}
	for _, o := range d.Orders {
		r.Orders = append(r.Orders, t.StayOrder(o))
	}
	if d.LastGiven != nil {
		r.Last = t.MomentAgo(*d.LastGiven)
	}
	return r
}
