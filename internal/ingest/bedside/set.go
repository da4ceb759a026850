// Package bedside reads an orthostatic set that was taken at the bedside and sent as
// a form. Nothing of it is held as a row of a file would be: what is wrong goes
// back to whoever typed it.
package bedside

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Feed is the name under which versions of this feed are kept.
const Feed = clinical.BedsideFeed

// The readings of a set, as their fields begin and their source_ids end.
const (
	Base   = "base"               // before standing
	First  = "first"              // near 1 min upright
	Second = "second"             // near 3 min upright
	Third  = "third"              // near the minutes that would clear a drop that comes late (T-CLEAR)
	Stop   = clinical.BedsideStop // sat down before any pressure was taken upright
)

// How far the patient may get up, as answered before the set.
const (
	MayStand = "stand"
	MaySit   = "sit" // on the edge of the bed
	InBed    = "bed" // by order
)

// Mobilities are the answers in the order in which they are offered.
var Mobilities = []string{MayStand, MaySit, InBed}

// Set is a set as it was sent. Besides the readings it holds the answers that no
// fact has a place for.
type Set struct {
	ID       string   `json:"set_id"`
	StayID   string   `json:"stay_id"`
	Mobility string   `json:"mobility,omitempty"` // of Mobilities; empty where not answered
	Holds    []string `json:"holds,omitempty"`    // of clinical.StandingHolds
	Limb     string   `json:"limb,omitempty"`
	// Restricted are the limbs that must not be measured from this set on, Because why: of
	// clinical.RestrictionReasons. Lifted are the restrictions that hold no more.
	Restricted []string `json:"restricted,omitempty"`
	Because    string   `json:"because,omitempty"`
	Lifted     []Lifted `json:"lifted,omitempty"`
	// Cleared is the provider's word that the patient may stand, nil without one.
	Cleared  *clinical.Clearance `json:"cleared,omitempty"`
	Plain    bool                `json:"plain,omitempty"` // vital signs: the readings make no set
	Told     []Told              `json:"told,omitempty"`  // who was told of an emergency
	Readings []Reading           `json:"readings"`        // in order of time
}

// Lifted is a restriction that was found to hold no more.
type Lifted struct {
	SourceID string `json:"source_id"`
	clinical.Restriction
}

// Whom a nurse tells of an emergency. Words of the form; a site's own procedure says more.
const (
	TheProvider = "provider"
	TheCharge   = "nurse in charge"
)

// Whoms are those who can be told, in the order in which they are offered.
var Whoms = []string{TheProvider, TheCharge}

// Told says who was told of an emergency, and when.
type Told struct {
	Whom string    `json:"whom"` // of Whoms
	At   time.Time `json:"at"`
}

// Reading is one reading of a set.
type Reading struct {
	Name   string `json:"name"`             // Base, First, Second, Third or Stop
	Unread bool   `json:"unread,omitempty"` // the cuff could not read
	clinical.Vitals
}

// Kept is a set as it was taken in.
type Kept struct {
	Set
	Who string    // account
	At  time.Time // the server's receipt
}

// Message is the set as the message by which it came.
func (k Kept) Message() records.Message {
	body, err := json.Marshal(k.Set)
	if err != nil {
		panic(err) // as in Sum
	}
	return records.Message{
		Feed: Feed, ID: k.ID, Sum: k.Sum(), StayID: k.StayID, Who: k.Who, ReceivedAt: k.At, Body: body,
	}
}

// KeptOf is the set that a message brought.
func KeptOf(m records.Message) (Kept, error) {
	k := Kept{Who: m.Who, At: m.ReceivedAt}
	if len(m.Body) == 0 {
		return k, clinical.Errorf(clinical.NotFound, "there is no such set")
	}
	if err := json.Unmarshal(m.Body, &k.Set); err != nil {
		return k, clinical.Errorf(clinical.Internal, "the bedside set %s cannot be read; was it written by a newer program? %v", m.ID, err)
	}
	if len(k.Readings) == 0 {
		return k, clinical.Errorf(clinical.NotFound, "there is no such set")
	}
	return k, nil
}

// NewID makes the id of a set: a random UUID (RFC 9562, version 4).
func NewID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // it does not fail
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:])
}

// Baseline is the reading before standing.
func (s Set) Baseline() clinical.Vitals { return s.Readings[0].Vitals }

// Upright reports whether anything was recorded upright.
func (s Set) Upright() bool { return len(s.Readings) > 1 }

// LastTaken is when the last reading was taken.
func (s Set) LastTaken() time.Time { return s.Readings[len(s.Readings)-1].TakenAt }

// Sum tells a set from every other content sent under its id.
func (s Set) Sum() string {
	body, err := json.Marshal(s)
	if err != nil {
		panic(err) // strings, numbers that were read, times: they can be written
	}
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:])
}

// Versions are the facts of a set, recorded at the server's receipt: its readings, the
// clearance, and the restrictions that begin and end with it.
func (s Set) Versions(receipt time.Time) []clinical.Version {
	var out []clinical.Version
	add := func(kind clinical.Kind, sourceID string, body clinical.Body) {
		out = append(out, clinical.Version{
			Kind: kind, SourceID: sourceID, StayID: s.StayID,
			RecordedAt: receipt, Stated: true, Status: clinical.Final, Body: body,
			Feed: Feed, File: Feed, Line: len(out) + 1,
		})
	}
	own := Feed + "-" + s.ID + "-"
	for _, r := range s.Readings {
		add(clinical.KindVitals, own+r.Name, r.Vitals)
	}
	if s.Cleared != nil {
		add(clinical.KindClearance, own+string(clinical.KindClearance), *s.Cleared)
	}
	for _, limb := range s.Restricted {
		b := clinical.Restriction{Limb: limb, Reason: s.Because, StartedAt: s.Baseline().TakenAt}
		add(clinical.KindRestriction, own+strings.ReplaceAll(limb, " ", "-"), b)
	}
	for _, l := range s.Lifted {
		add(clinical.KindRestriction, l.SourceID, l.Restriction)
	}
	return out
}
