package bedside

import (
	"encoding/json"
	"net/http"

	"plumbline/internal/alerts"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// keptBed is what a browser keeps of a bed until the end of the shift, so that a set can be begun
// without the network: no name and no patient number.
type keptBed struct {
	Stay    string        `json:"stay"`
	Bed     string        `json:"bed"`
	Due     string        `json:"due"`
	Charted []keptCharted `json:"charted"` // what the chart holds against standing, or asks before it
	Limbs   []keptLimb    `json:"limbs"`   // that must not be measured
	Clear   float64       `json:"clear"`   // clear_minutes, where longer than usual; 0 else
	Stand   string        `json:"stand"`
	Low     string        `json:"low"`    // a low pressure at rest
	Urgent  []string      `json:"urgent"` // what was an emergency of late
	Before  []keptCharted `json:"before"` // what is asked before the patient stands
	Last    string        `json:"last"`   // the last set
}

type keptCharted struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

type keptLimb struct {
	Limb string `json:"limb"`
	ID   string `json:"id"` // "" for one that cannot be taken back here
	Text string `json:"text"`
}

// keptBedOf is a bed as a browser keeps it; "" for who died of a fall, about whom the form asks first.
func keptBedOf(t frame.Times, a alerts.Assessment) string {
	if a.Died() {
		return ""
	}
	d := a.Digest
	k := keptBed{
		Stay: d.StayID, Bed: d.Stay.Bed, Charted: []keptCharted{}, Before: []keptCharted{}, Limbs: []keptLimb{}, Stand: text.StandFor(d.Serial),
	}
	// Times and no ages: what is kept is read later.
	if low := a.LowAtRest; low != nil {
		k.Low = text.LowAtRest(*low) + ", " + t.Time(low.At)
	}
	for _, r := range a.Reasons {
		if r.Rule == alerts.TStopped {
			k.Urgent = append(k.Urgent, t.Brief(r))
		}
	}
	if set := a.ChestPain; set != nil {
		k.Urgent = append(k.Urgent, text.Say("bedside.symptom-chest-pain")+", "+t.Time(set.StartedAt))
	}
	for _, e := range a.Emergencies {
		k.Urgent = append(k.Urgent, text.Emergency(e)+", "+t.Time(e.At))
	}
	for _, w := range a.Warnings {
		k.Before = append(k.Before, keptCharted{warningCode(w), text.Say("bedside.stand-before", t.WarningTime(w))})
	}
	r := parts.RecheckOf(t, a)
	if k.Due = r.Word; r.Due != nil {
		k.Due += " " + r.Due.Text
	}
	codes := append(alerts.Hindrances(d), a.Recheck.Missing...)
	says := text.Missing(codes)
	seen := map[string]bool{}
	for n, code := range codes {
		if !seen[code] {
			k.Charted = append(k.Charted, keptCharted{code, says[n]})
		}
		seen[code] = true
	}
	for _, l := range limbsOf(t, a) {
		one := keptLimb{Limb: l.Limb, Text: l.Text}
		if l.Own {
			one.ID = l.ID
		}
		k.Limbs = append(k.Limbs, one)
	}
	if k.Stand != "" {
		k.Clear = *d.Serial.ClearMinutes
	}
	if set := d.LatestSet(); set != nil {
		k.Last = t.SetBrief(d, *set, false)
	}
	body, err := json.Marshal(k)
	if err != nil {
		return "" // a figure that is no number: the bed is then not kept
	}
	return string(body)
}

// bedsShell is the choice of a bed without unit or account, which a browser keeps.
func (s *service) bedsShell(c *frame.Request) (frame.Page, error) {
	v := takerView{Layout: s.Bare(c, text.Say("bedside.choose-title")), Shell: true}
	return frame.Show(http.StatusOK, "bedsidechoose", v)
}
