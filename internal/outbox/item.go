// Package outbox makes of what was taken here the messages that go to the hospital's record, by
// HL7 v2 and by FHIR R4, and sends them: each at least once, in the order of each patient, with
// identities by which a repeat changes nothing.
package outbox

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/records"
)

// The ways to the record.
const (
	MLLP = "mllp" // HL7 v2.5.1 over MLLP
	FHIR = "fhir" // FHIR R4 transactions
)

// Channels lists the ways.
var Channels = []string{MLLP, FHIR}

// Item is all of which a message is made. It is kept with the message, so that each attempt is the same.
type Item struct {
	Installation string             `json:"installation"` // a UUID
	Thing        string             `json:"thing"`
	Version      int                `json:"version"` // 1 for the first
	PatientID    string             `json:"patient_id"`
	StayID       string             `json:"stay_id"`
	RecordedAt   time.Time          `json:"recorded_at"`
	Who          string             `json:"who"`
	Performer    records.Identifier `json:"performer,omitzero"`
	SetID        string             `json:"set_id,omitempty"`  // of readings that are one set
	Finding      string             `json:"finding,omitempty"` // of the set, in words
	Facts        []Fact             `json:"facts"`
	Code         *Code              `json:"code,omitempty"` // of a restriction, clearance or answer
}

// Fact is one version of a fact. Of its bodies one is given; none of a reading taken back of which
// nothing is known any more.
type Fact struct {
	SourceID    string                `json:"source_id"`
	Kind        clinical.Kind         `json:"kind"`
	Removed     bool                  `json:"removed,omitempty"`
	Version     int                   `json:"version"`
	Unread      bool                  `json:"unread,omitempty"`   // the cuff could not read
	Symptoms    []Code                `json:"symptoms,omitempty"` // those that the site's table has a code for
	Vitals      *clinical.Vitals      `json:"vitals,omitempty"`
	Restriction *clinical.Restriction `json:"restriction,omitempty"`
	Clearance   *clinical.Clearance   `json:"clearance,omitempty"`
	Answer      *clinical.Answer      `json:"answer,omitempty"`
}

// Code is a code of the site's own, with the word of its value that says what is meant.
type Code struct {
	System string `json:"system,omitempty"`
	Code   string `json:"code"`
	Says   string `json:"says,omitempty"`
}

// SystemOf is the system of the identities of an installation (RFC 9562's urn:uuid).
func SystemOf(installation string) string { return "urn:uuid:" + installation }

// What ends the identity of a pulse that goes apart, and of a set.
const (
	PulseSuffix = "/pulse"
	SetSuffix   = "/set"
)

// Maker queues messages for what is taken here.
type Maker struct {
	Channels []string // those that are set up
	Units    []string // whose patients' facts are sent; empty: all
	Codes    *codes.Table
	// Finding says in words what the readings of a set, taken alone, found; "" where they are no set.
	Finding func(stayID string, stay clinical.Stay, readings []clinical.Version) string
}

// Queue makes the messages of what somebody took here: one of the readings, and one each of the
// restrictions, clearances and answers that the site's table has a code for.
func (m Maker) Queue(who string, at time.Time, facts []clinical.Version, s records.Sending) (out []records.Outgoing) {
	if len(m.Units) > 0 && !slices.Contains(m.Units, s.Stay.Unit) {
		return nil
	}
	for _, channel := range m.Channels {
		for _, item := range m.items(channel, who, at, facts, s) {
			body, err := json.Marshal(item)
			if err != nil {
				panic(err) // strings, numbers that were read, times: they can be written
			}
			out = append(out, records.Outgoing{Channel: channel, Thing: item.Thing, Version: item.Version, Body: body})
		}
	}
	return out
}

func (m Maker) items(channel, who string, at time.Time, facts []clinical.Version, s records.Sending) (out []Item) {
	item := func(thing string) Item {
		return Item{
			Installation: s.Installation, Thing: thing, PatientID: s.Stay.PatientID, StayID: s.StayID,
			RecordedAt: at.UTC(), Who: who, Performer: s.Performer, Version: 1,
		}
	}
	var readings []clinical.Version
	set := item("")
	for _, v := range facts {
		f := m.fact(v, s)
		switch {
		case f.Vitals != nil || v.Kind == clinical.KindVitals:
			set.take(f)
			set.SetID = cmp.Or(set.SetID, setOf(f))
			set.Thing = cmp.Or(set.Thing, bedside.FormOf(v.SourceID), setOf(f), v.SourceID)
			readings = append(readings, v)
			continue
		case !slices.Contains([]clinical.Kind{clinical.KindRestriction, clinical.KindClearance, clinical.KindAnswer}, v.Kind):
			continue
		}
		one := item(v.SourceID)
		one.take(f)
		if one.Code = m.codeOf(channel, f); one.Code != nil {
			out = append(out, one)
		}
	}
	if len(readings) == 0 {
		return out
	}
	if set.SetID != "" && m.Finding != nil {
		set.Finding = m.Finding(s.StayID, s.Stay, readings)
	}
	return append([]Item{set}, out...)
}

func (i *Item) take(f Fact) {
	i.Facts, i.Version = append(i.Facts, f), max(i.Version, f.Version)
}

func setOf(f Fact) string {
	if f.Vitals == nil {
		return ""
	}
	return f.Vitals.SetID
}

// fact is a version as it is sent. One that only takes back says what the version before it said.
func (m Maker) fact(v clinical.Version, s records.Sending) Fact {
	key := records.VersionKey(v.Kind, v.SourceID)
	f := Fact{
		SourceID: v.SourceID, Kind: v.Kind, Removed: v.Removed(), Version: max(s.Versions[key], 1),
		Unread: clinical.Record{Version: v, History: []clinical.Version{v}}.CouldNotRead(),
	}
	body := v.Body
	if body == nil {
		body = s.Earlier[key]
	}
	switch b := body.(type) {
	case clinical.Vitals:
		f.Vitals = &b
		for _, symptom := range b.Symptoms {
			if c := m.symptom(symptom); c != nil {
				f.Symptoms = append(f.Symptoms, *c)
			}
		}
	case clinical.Restriction:
		f.Restriction = &b
	case clinical.Clearance:
		f.Clearance = &b
	case clinical.Answer:
		f.Answer = &b
	}
	return f
}

func (m Maker) symptom(word string) *Code {
	for _, e := range m.Codes.OfKind(codes.Symptom) {
		if e.Value == word {
			says, _ := e.Says(codes.Yes)
			return &Code{e.System, e.Code, cmp.Or(says, codes.Yes)}
		}
	}
	return nil
}

// codeOf is the site's code of a restriction, clearance or answer; nil where the table has none by
// which the other side would read the same.
func (m Maker) codeOf(channel string, f Fact) *Code {
	switch {
	case f.Restriction != nil:
		return m.restriction(channel, *f.Restriction)
	case f.Clearance != nil:
		for _, e := range m.Codes.OfKind(codes.Clearance) {
			if says, ok := e.Says(codes.Yes); ok {
				return &Code{e.System, e.Code, says}
			}
		}
	case f.Answer != nil:
		return m.answer(f.Answer.Answer)
	}
	return nil
}

func (m Maker) answer(word string) *Code {
	for _, e := range m.Codes.OfKind(codes.Answer) {
		if says, ok := e.Says(word); ok {
			return &Code{e.System, e.Code, says}
		}
		if e.Value == word && len(e.Words) == 0 {
			return &Code{e.System, e.Code, codes.Yes}
		}
	}
	return nil
}

// restriction is the code of a limb, with its reason where the table has one of it. By HL7 v2 the word
// says whether it begins or ends; a Flag says so by its period.
func (m Maker) restriction(channel string, r clinical.Restriction) (found *Code) {
	means := codes.Begins
	if r.EndedAt != nil {
		means = codes.Ends
	}
	for _, e := range m.Codes.OfKind(codes.Restriction) {
		if e.Value != r.Limb || e.Reason != "" && e.Reason != r.Reason {
			continue
		}
		says, ok := e.Says(means)
		if !ok && means == codes.Begins {
			says, ok = e.Says(codes.Yes)
		}
		if !ok && channel == MLLP {
			continue
		}
		if found == nil || e.Reason != "" {
			found = &Code{e.System, e.Code, says}
		}
	}
	return found
}

// Read reads the item of a message that was queued.
func Read(o records.Outgoing) (i Item, err error) {
	if err := json.Unmarshal(o.Body, &i); err != nil {
		return i, fmt.Errorf("the message %d cannot be read; was it queued by a newer program? %w", o.Number, err)
	}
	return i, nil
}

// removed reports whether the whole of it is taken back.
func (i Item) removed() bool {
	return !slices.ContainsFunc(i.Facts, func(f Fact) bool { return !f.Removed })
}

// at is the time that a fact speaks of: the recording where that is not known any more.
func (f Fact) at(recorded time.Time) time.Time {
	switch {
	case f.Vitals != nil:
		return f.Vitals.TakenAt
	case f.Restriction != nil && f.Restriction.EndedAt != nil && !f.Removed:
		return *f.Restriction.EndedAt
	case f.Restriction != nil && !f.Restriction.StartedAt.IsZero():
		return f.Restriction.StartedAt
	case f.Clearance != nil:
		return f.Clearance.ClearedAt
	case f.Answer != nil:
		return f.Answer.AnsweredAt
	}
	return recorded
}
