package trends

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// Reading is a reading of pressure and pulse after V-PLAUSIBLE: what is not
// believed has been taken out and is named.
type Reading struct {
	SourceID    string
	At          time.Time
	Systolic    *float64 // mmHg
	Diastolic   *float64 // mmHg
	Pulse       *float64 // beats/min
	Position    clinical.Position
	Limb        string
	Minutes     *float64 // in position, as charted
	SetID       string
	Symptoms    []string
	Stopped     bool
	KPa         bool    // the pressures were charted in kPa
	Implausible []Doubt // what was taken out
	WhyNone     Word    // why it has no pressure; empty where it has one, or none was charted
}

// Doubt is a charted value that V-PLAUSIBLE does not believe.
type Doubt struct {
	Of    Value
	Value float64 // mmHg, or beats per minute
	// Low and High are the bounds that it lies outside of; where it is a systolic that is not above its diastolic, Diastolic
	// is that, and there are none.
	Low, High float64
	Diastolic *float64
}

// Value is one of the values of a reading.
type Value string

// The values of a reading.
const (
	OfSystolic  Value = "systolic"
	OfDiastolic Value = "diastolic"
	OfPulse     Value = "pulse"
)

// Why a reading has no pressure, though one was taken or tried.
const (
	NotBelieved  = "charted and not believed" // V-PLAUSIBLE took it out
	CouldNotRead = "the cuff could not read"
)

func (r Reading) hasPressure() bool { return r.Systolic != nil || r.Diastolic != nil }

// Believe applies V-PLAUSIBLE: an implausible pressure takes both pressures of
// the reading out, an implausible pulse the pulse; what is left still counts.
func Believe(sourceID string, v clinical.Vitals, p clinical.PlausiblePolicy) Reading {
	r := Reading{
		SourceID: sourceID, At: v.TakenAt, Systolic: v.Systolic, Diastolic: v.Diastolic, Pulse: v.HeartRate,
		Position: v.Position, Limb: v.Limb, Minutes: v.MinutesInPosition, SetID: v.SetID,
		Symptoms: v.Symptoms, Stopped: v.StoppedEarly, KPa: v.PressureUnit != "",
	}
	if doubts := pressureDoubts(v, p); len(doubts) > 0 {
		r.Systolic, r.Diastolic, r.WhyNone = nil, nil, NotBelieved
		r.Implausible = append(r.Implausible, doubts...)
	}
	if v.HeartRate != nil && !between(*v.HeartRate, p.PulseMin, p.PulseMax) {
		r.Pulse = nil
		r.Implausible = append(r.Implausible, Doubt{Of: OfPulse, Value: *v.HeartRate, Low: p.PulseMin, High: p.PulseMax})
	}
	return r
}

func pressureDoubts(v clinical.Vitals, p clinical.PlausiblePolicy) (doubts []Doubt) {
	if v.Systolic != nil && !between(*v.Systolic, p.SystolicMin, p.SystolicMax) {
		doubts = append(doubts, Doubt{Of: OfSystolic, Value: *v.Systolic, Low: p.SystolicMin, High: p.SystolicMax})
	}
	if v.Diastolic != nil && !between(*v.Diastolic, p.DiastolicMin, p.DiastolicMax) {
		doubts = append(doubts, Doubt{Of: OfDiastolic, Value: *v.Diastolic, Low: p.DiastolicMin, High: p.DiastolicMax})
	}
	if v.Systolic != nil && v.Diastolic != nil && !Above(*v.Systolic, *v.Diastolic) {
		doubts = append(doubts, Doubt{Of: OfSystolic, Value: *v.Systolic, Diastolic: v.Diastolic})
	}
	return doubts
}

// readingsOf lists the believed readings that existed at the chart's moment, in
// time order; ties by position (lying, sitting, standing), then source_id.
func readingsOf(c clinical.Chart, p clinical.PlausiblePolicy) []Reading {
	var out []Reading
	for _, r := range c.Records {
		v, ok := r.Body.(clinical.Vitals)
		if !ok || v.TakenAt.After(c.AsOf) {
			continue
		}
		reading := Believe(r.SourceID, v, p)
		if r.CouldNotRead() {
			reading.WhyNone = CouldNotRead
		}
		out = append(out, reading)
	}
	slices.SortFunc(out, func(a, b Reading) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		if c := a.Position.Height() - b.Position.Height(); c != 0 {
			return c
		}
		return strings.Compare(a.SourceID, b.SourceID)
	})
	return out
}
