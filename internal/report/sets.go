package report

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// Sets lists every orthostatic set of a stay, oldest first.
type Sets struct {
	StayID string       `json:"stay_id"`
	Sets   []trends.Set `json:"sets"`
}

// SetsOf writes the sets of a stay.
func SetsOf(stayID string, sets []trends.Set) Sets {
	out := Sets{StayID: stayID, Sets: make([]trends.Set, len(sets))}
	for n, s := range sets {
		out.Sets[n] = shown(s)
	}
	return out
}

// SetOf writes the set of an id among those of a stay; nil where there is none.
func SetOf(sets []trends.Set, setID string) *trends.Set {
	for _, s := range sets {
		if s.SetID == setID {
			s = shown(s)
			return &s
		}
	}
	return nil
}

// shown is a set as documents give it: pressures charted in kPa in mmHg to one decimal,
// drops unrounded.
func shown(s trends.Set) trends.Set {
	s.NoBaseline, s.AtRest = "", nil
	if s.Baseline != nil {
		b := *s.Baseline
		if b.WhyNone = ""; b.KPa {
			b.Systolic, b.Diastolic, b.KPa = oneDecimal(b.Systolic), oneDecimal(b.Diastolic), false
		}
		s.Baseline = &b
	}
	s.Upright = slices.Clone(s.Upright)
	for n := range s.Upright {
		u := &s.Upright[n]
		if u.WhyNone = ""; u.KPa {
			u.Systolic, u.Diastolic, u.KPa = oneDecimal(u.Systolic), oneDecimal(u.Diastolic), false
		}
	}
	return s
}

func oneDecimal(v *float64) *float64 {
	if v == nil {
		return nil
	}
	r := math.Round(*v*10) / 10
	return &r
}

// Facts lists the facts of a stay as known at a moment, in time order.
type Facts struct {
	StayID string `json:"stay_id"`
	Facts  []Fact `json:"facts"`
}

// Fact is the version of one fact that counts.
type Fact struct {
	Kind       clinical.Kind   `json:"kind"`
	SourceID   string          `json:"source_id"`
	At         *time.Time      `json:"at"`
	RecordedAt *time.Time      `json:"recorded_at"`
	Status     clinical.Status `json:"status"`
	Values     map[string]any  `json:"values"`
	Used       bool            `json:"used"`
	WhyNot     string          `json:"why_not"`
}

// FactsOf writes a chart. A fact of a stay that has not been seen is waiting.
func FactsOf(c clinical.Chart, p clinical.PlausiblePolicy) Facts {
	out := Facts{StayID: c.StayID, Facts: []Fact{}}
	for _, r := range c.Records {
		f := factOf(r)
		f.Used, f.WhyNot = used(r, c, p)
		out.Facts = append(out.Facts, f)
	}
	for _, r := range c.Removed {
		f := factOf(r)
		f.WhyNot = text.Say("facts.retracted")
		out.Facts = append(out.Facts, f)
	}
	for _, r := range c.Echoes {
		f := factOf(r)
		f.WhyNot = whyEcho(r)
		out.Facts = append(out.Facts, f)
	}
	slices.SortStableFunc(out.Facts, func(a, b Fact) int {
		return cmp.Or(compareTimes(a.At, b.At),
			cmp.Compare(slices.Index(clinical.Kinds, a.Kind), slices.Index(clinical.Kinds, b.Kind)),
			strings.Compare(a.SourceID, b.SourceID))
	})
	return out
}

// whyEcho names what a fact has come back from.
func whyEcho(r clinical.Record) string { return "echo of " + r.EchoOf }

// compareTimes puts facts without a time of their own first: they hold from
// admission.
func compareTimes(a, b *time.Time) int {
	switch {
	case a == nil && b == nil:
		return 0
	case a == nil:
		return -1
	case b == nil:
		return 1
	}
	return a.Compare(*b)
}

func factOf(r clinical.Record) Fact {
	f := Fact{Kind: r.Kind, SourceID: r.SourceID, Status: r.Status, Values: map[string]any{}}
	if r.Body != nil {
		f.Values = valuesOf(r.Body)
		f.At = known(r.Body.OwnTime())
	}
	f.RecordedAt = known(r.RecordedAt)
	return f
}

// valuesOf are the columns of a fact, its pressures as in a set.
func valuesOf(body clinical.Body) map[string]any {
	if v, ok := body.(clinical.Vitals); ok && v.PressureUnit != "" {
		v.Systolic, v.Diastolic = oneDecimal(v.Systolic), oneDecimal(v.Diastolic)
		body = v
	}
	return body.Values()
}

func known(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	u := t.UTC()
	return &u
}

// used tells whether anything of a fact is used, and what is not.
func used(r clinical.Record, c clinical.Chart, p clinical.PlausiblePolicy) (bool, string) {
	if c.Stay == nil {
		if slices.ContainsFunc(c.Removed, func(r clinical.Record) bool { return r.Kind == clinical.KindStay }) {
			return false, text.Say("facts.stay-removed", c.StayID)
		}
		return false, text.Say("facts.waiting", c.StayID)
	}
	if at := r.Body.OwnTime(); at.After(c.AsOf) && r.Kind != clinical.KindFluid && r.Kind != clinical.KindStay {
		return false, text.Say("facts.ahead")
	}
	v, ok := r.Body.(clinical.Vitals)
	if !ok {
		return true, ""
	}
	reading := trends.Believe(r.SourceID, v, p)
	if len(reading.Implausible) == 0 {
		return true, ""
	}
	left := reading.Systolic != nil || reading.Diastolic != nil || reading.Pulse != nil ||
		len(reading.Symptoms) > 0 || reading.Stopped
	return left, text.Say("facts.implausible", strings.Join(text.Doubts(reading.Implausible), "; "))
}
