package parts

import (
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// Given is a drug with its last given dose (E-GIVEN).
type Given struct {
	Drug, Group string
	LineOnly    bool // only keeps a line open: no drug that makes a fall bleed
	At          *frame.Moment
	Before      string // how long before a fall; "" where none is told
	Amount      string
	Order       string
	NotDone     string // doses not done since
	Held        bool   // there are some
}

// AroundDosesOf says of each drug how many sets soon after a dose were positive, and how many
// of the others (T-DOSE).
func AroundDosesOf(s trends.Serial, p clinical.Policy) []string {
	out := make([]string, 0, len(s.Doses))
	for _, d := range s.Doses {
		out = append(out, text.AroundDose(d, p.Drugs.DoseEffectHours))
	}
	return out
}

// GivenOf tells the last given dose of each drug before now.
func GivenOf(t frame.Times, list []trends.LastGiven) []Given {
	out := make([]Given, 0, len(list))
	for _, g := range list {
		v := Given{
			Drug: g.Name, Group: text.GivenGroup(g), LineOnly: g.LineOnly, Amount: text.GivenAmount(g), Order: text.GivenOrder(g),
			NotDone: text.NotGivenSince(g), Held: g.NotDoneSince > 0,
		}
		if g.GivenAt != nil {
			v.At = t.MomentAgo(*g.GivenAt)
		}
		out = append(out, v)
	}
	return out
}

// GivenBeforeFall tells the last given dose of each drug before a fall.
func GivenBeforeFall(t frame.Times, list []trends.LastGiven, fell time.Time) []Given {
	out := GivenOf(t, list)
	for n, g := range list {
		if g.GivenAt != nil {
			out[n].At, out[n].Before = t.Moment(*g.GivenAt), text.BeforeFall(fell.Sub(*g.GivenAt))
		}
	}
	return out
}
