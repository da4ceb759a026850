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
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Feed is the name under which versions of this feed are kept.
const Feed = clinical.BedsideFeed

// The readings of a set, as their fields begin and their source_ids end.
const (
	Base   = "base"   // before standing
	First  = "first"  // near 1 min upright
	Second = "second" // near 3 min upright
	Stop   = "stop"   // sat down before any pressure was taken upright
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
	ID        string    `json:"set_id"`
	StayID    string    `json:"stay_id"`
	Mobility  string    `json:"mobility,omitempty"` // of Mobilities; empty where not answered
	Holds     []string  `json:"holds,omitempty"`    // of clinical.StandingHolds
	Limb      string    `json:"limb,omitempty"`
	OtherLimb string    `json:"other_limb,omitempty"` // why not the other: of clinical.LimbReasons
	Readings  []Reading `json:"readings"`             // in order of time
}

// Reading is one reading of a set.
type Reading struct {
	Name string `json:"name"` // Base, First, Second or Stop
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

// Versions are the facts of a set, recorded at the server's receipt.
func (s Set) Versions(receipt time.Time) []clinical.Version {
	out := make([]clinical.Version, len(s.Readings))
	for n, r := range s.Readings {
		out[n] = clinical.Version{
			Kind: clinical.KindVitals, SourceID: Feed + "-" + s.ID + "-" + r.Name, StayID: s.StayID,
			RecordedAt: receipt, Stated: true, Status: clinical.Final, Body: r.Vitals,
			Feed: Feed, File: Feed, Line: n + 1,
		}
	}
	return out
}
