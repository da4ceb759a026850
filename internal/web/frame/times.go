package frame

import (
	"time"

	"plumbline/internal/text"
)

// UnlessZero is the moment with its age, nil for a time that there is not.
func (t Times) MomentIfAny(at time.Time) *Moment {
	if at.IsZero() {
		return nil
	}
	return t.MomentAgo(at)
}

// Moment is a time as a page shows it.
type Moment struct {
	ISO  string
	Text string
	Rel  string // "3 h ago"; "" where it is not said
	Mode string // how a script keeps Rel current: ago, due or "" for not at all
}

// Times makes moments for one catalogue; live ones are kept current by a script.
type Times struct {
	text.Catalogue
	Live  bool
	Rules map[string]string // what each rule says, by its name
}

// Times makes moments as of a moment, with the rules of the policy in force.
func (s *Frame) Times(at time.Time, live bool) Times {
	return Times{text.Catalogue{Zone: s.Zone, At: at}, live, s.ruleTexts()}
}

func (t Times) Moment(at time.Time) *Moment {
	return &Moment{ISO: at.UTC().Format(time.RFC3339), Text: t.Time(at)}
}

func (t Times) MomentAgo(at time.Time) *Moment {
	m := t.Moment(at)
	m.Rel = t.Ago(at)
	if t.Live {
		m.Mode = "ago"
	}
	return m
}

func (t Times) MomentDue(at time.Time) *Moment {
	m := t.Moment(at)
	m.Rel = t.Due(at)
	if t.Live {
		m.Mode = "due"
	}
	return m
}
