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
	KPa         bool     // the pressures were charted in kPa
	Implausible []string // what was taken out, in words with figures
	WhyNone     Word     // why it has no pressure; empty where it has one, or none was charted
}

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
	if reasons := pressureDoubts(v, p); len(reasons) > 0 {
		r.Systolic, r.Diastolic, r.WhyNone = nil, nil, NotBelieved
		r.Implausible = append(r.Implausible, reasons...)
	}
	if v.HeartRate != nil && !between(*v.HeartRate, p.PulseMin, p.PulseMax) {
		r.Pulse = nil
		r.Implausible = append(r.Implausible, outside("pulse", *v.HeartRate, p.PulseMin, p.PulseMax))
	}
	return r
}

func pressureDoubts(v clinical.Vitals, p clinical.PlausiblePolicy) []string {
	var reasons []string
	if v.Systolic != nil && !between(*v.Systolic, p.SystolicMin, p.SystolicMax) {
		reasons = append(reasons, outside("systolic", *v.Systolic, p.SystolicMin, p.SystolicMax))
	}
	if v.Diastolic != nil && !between(*v.Diastolic, p.DiastolicMin, p.DiastolicMax) {
		reasons = append(reasons, outside("diastolic", *v.Diastolic, p.DiastolicMin, p.DiastolicMax))
	}
	if v.Systolic != nil && v.Diastolic != nil && !Above(*v.Systolic, *v.Diastolic) {
		reasons = append(reasons, "systolic "+figure(*v.Systolic)+" is not above diastolic "+figure(*v.Diastolic))
	}
	return reasons
}

func outside(what string, value, low, high float64) string {
	return what + " " + figure(value) + " is outside " + figure(low) + " to " + figure(high)
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
