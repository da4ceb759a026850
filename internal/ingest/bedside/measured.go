package bedside

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"strconv"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Measured is one given set that a device or another program measured at the bedside.
type Measured struct {
	ID      string            `json:"id"` // its sender's; unique for ever in the installation
	StayID  string            `json:"stay_id"`
	TakenBy string            `json:"taken_by,omitempty"` // who or what, as its sender says
	Vitals  []clinical.Vitals `json:"measured"`           // in the order given
	Who     string            `json:"-"`                  // as the audit and the record are told
	At      time.Time         `json:"-"`                  // the server's receipt
}

// measuredPrefix begins the set_id and the source_ids of what was measured here.
const measuredPrefix = "here-"

// MeasuredSetID is the set_id of the set that its sender calls id; its message has it too.
func MeasuredSetID(id string) string { return measuredPrefix + id }

// SetID is the id of the set in documents.
func (m Measured) SetID() string { return MeasuredSetID(m.ID) }

// LastTaken is when the latest of the readings was taken.
func (m Measured) LastTaken() (last time.Time) {
	for _, v := range m.Vitals {
		if v.TakenAt.After(last) {
			last = v.TakenAt
		}
	}
	return last
}

// Sum tells the set from every other content sent under its id.
func (m Measured) Sum() string {
	sum := sha256.Sum256(m.body())
	return hex.EncodeToString(sum[:])
}

func (m Measured) body() []byte {
	body, err := json.Marshal(m)
	if err != nil {
		panic(err) // strings, numbers that were read, times: they can be written
	}
	return body
}

// Message is the set as the message by which it came.
func (m Measured) Message() records.Message {
	return records.Message{
		Feed: Feed, ID: m.SetID(), Sum: m.Sum(), StayID: m.StayID, Who: m.Who, ReceivedAt: m.At, Body: m.body(),
	}
}

// Versions are the readings as facts, recorded at the receipt.
func (m Measured) Versions() []clinical.Version {
	out := make([]clinical.Version, len(m.Vitals))
	for n, v := range m.Vitals {
		out[n] = clinical.Version{
			Kind: clinical.KindVitals, SourceID: fmt.Sprintf("%s-%d", m.SetID(), n+1), StayID: m.StayID,
			RecordedAt: m.At, Stated: true, Status: clinical.Final, Body: v,
			Feed: Feed, File: Feed, Line: n + 1,
		}
	}
	return out
}

// MeasuredBounds are what a measured set is held to at its receipt. What the patient may or may not
// do is none of them: what was measured was measured, and the assessment says what it is worth.
type MeasuredBounds struct {
	Now          time.Time
	AdmittedAt   time.Time
	DischargedAt *time.Time
	Plausible    clinical.PlausiblePolicy
}

// Check says what of a set that could be read is not believed, or lies outside the times of the stay.
func (m Measured) Check(b MeasuredBounds) (out []Fault) {
	for n, v := range m.Vitals {
		field := "readings[" + strconv.Itoa(n) + "]."
		if why := b.time(v.TakenAt); why != "" {
			out = append(out, Fault{Field: field + "taken_at", Why: why})
		}
		out = append(out, b.figures(field, v)...)
	}
	return out
}

// time is what is wrong with a moment; "" of one that is right, and of one that could not be read.
func (b MeasuredBounds) time(t time.Time) Why {
	switch {
	case t.IsZero():
		return ""
	case t.After(b.Now.Add(ClockSkew)):
		return Ahead
	case t.Before(b.Now.Add(-Oldest)):
		return TooOld
	case t.Before(b.AdmittedAt), b.DischargedAt != nil && !t.Before(*b.DischargedAt):
		return OutsideStay
	}
	return ""
}

// figures holds those of one reading to V-PLAUSIBLE, each where it is there.
func (b MeasuredBounds) figures(field string, v clinical.Vitals) (out []Fault) {
	p := b.Plausible
	within := func(name string, value *float64, low, high float64) bool {
		if value == nil || *value >= low && *value <= high {
			return true
		}
		out = append(out, Fault{Field: field + name, Why: OutOfRange, Min: &low, Max: &high})
		return false
	}
	systolicRight := within("systolic", v.Systolic, p.SystolicMin, p.SystolicMax)
	diastolicRight := within("diastolic", v.Diastolic, p.DiastolicMin, p.DiastolicMax)
	if v.Systolic != nil && v.Diastolic != nil && systolicRight && diastolicRight && *v.Diastolic >= *v.Systolic {
		out = append(out, Fault{Field: field + "diastolic", Why: NotBelow, Min: &p.DiastolicMin, Max: &p.DiastolicMax})
	}
	within("heart_rate", v.HeartRate, p.PulseMin, p.PulseMax)
	return out
}

var ofMeasured = regexp.MustCompile(`^(` + measuredPrefix + `[A-Za-z0-9._-]{1,64})-[0-9]{1,2}$`)
