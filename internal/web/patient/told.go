package patient

import (
	"slices"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// toldView is who was told of an emergency of a set that was taken here.
type toldView struct {
	Says []string // none: nobody is charted as told
	URL  string   // where it is charted; "" where the account takes no sets
}

// toldOf are those of the emergencies that the page tells. Nothing is looked up where it tells none.
func (s *service) toldOf(c *frame.Request, when frame.Asked, a alerts.Assessment) (out []toldView, err error) {
	if s.Charted == nil {
		return nil, nil
	}
	ctx, stay, t := c.Request.Context(), a.Digest.StayID, s.Times(when.At, when.Live)
	for _, id := range emergencySets(a) {
		kept, err := s.Charted.Kept(ctx, stay, id)
		if clinical.CodeOf(err) == clinical.NotFound {
			continue
		}
		if err != nil {
			return nil, err
		}
		told, err := bedside.ToldOf(ctx, kept, s.Charted)
		if err != nil {
			return nil, err
		}
		v := toldView{}
		if when.Live && frame.AccountOf(c).May(records.RecordSet) {
			v.URL = frame.SetURL(stay) + "?sent=" + id
		}
		for _, one := range told {
			if when.Live || !one.At.After(when.At) {
				v.Says = append(v.Says, text.Say("bedside.told-at", whomName(one.Whom), t.Time(one.At)))
			}
		}
		out = append(out, v)
	}
	return out, nil
}

func whomName(whom string) string {
	if whom == bedside.TheProvider {
		return text.Say("bedside.told-provider")
	}
	return text.Say("bedside.told-charge")
}

// emergencySets are the sets taken here whose emergency the page tells, each once.
func emergencySets(a alerts.Assessment) []string {
	var facts []string
	for _, e := range a.Emergencies {
		facts = append(facts, e.SourceID)
	}
	if a.ChestPain != nil {
		facts = append(facts, a.ChestPain.Facts...)
	}
	if a.LowAtRest != nil {
		facts = append(facts, a.LowAtRest.SourceID)
	}
	var out []string
	for _, f := range facts {
		out = append(out, bedside.FormOf(f))
	}
	return slices.DeleteFunc(trends.Distinct(out), func(id string) bool { return id == "" })
}
