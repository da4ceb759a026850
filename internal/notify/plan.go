package notify

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/records"
)

// MessageID is the id under which a notice is told, however often. It holds no
// full stop: that separates the parts of what a webhook signs.
func MessageID(id string) string { return strings.ReplaceAll(id, ".", "-") }

// late is when something not told yet is told only if it is still owed.
const late = 24 * time.Hour

// Rules are what planning goes by.
type Rules struct {
	Quiet Quiet
	Zone  *time.Location
	// Commissioning are the units of which nobody is told: see feedcheck.
	Commissioning []string
}

// againAfter is when a notice of a unit in commissioning is looked at again.
const againAfter = 10 * time.Minute

// untold reports whether a notice is of a unit in commissioning.
func (r Rules) untold(n records.Notice) bool {
	return n.Event.Unit != "" && slices.Contains(r.Commissioning, n.Event.Unit)
}

// until is until when a notice is held; not after now where it may be told.
func (r Rules) until(n records.Notice, now time.Time) time.Time {
	if r.untold(n) {
		return now.Add(againAfter)
	}
	return r.Quiet.Until(tierOf(n), now, r.Zone)
}

// Plan says how a notice is told by a channel. atOnce is false where the channel
// leaves notices of its tier to the briefing.
func (r Rules) Plan(n records.Notice, channel string, atOnce bool, now time.Time) records.NoticeDelivery {
	d := records.NoticeDelivery{ID: n.ID, Channel: channel, State: records.DeliveryWaiting, MadeAt: now, NextAt: now, Notice: &n}
	until := r.until(n, now)
	switch {
	case !atOnce:
		d.State = records.DeliverySkipped
	case !n.Owed && (r.untold(n) || now.Sub(n.Event.At) > late):
		d.State = records.DeliveryDropped
	case until.After(now):
		d.State, d.NextAt = records.DeliveryHeld, until
	}
	return d
}

// Decide is what to do with a delivery whose time has come: State Waiting means
// to send it, any other that nothing is sent now.
func (r Rules) Decide(d records.NoticeDelivery, now time.Time) records.NoticeDelivery {
	if d.Notice == nil {
		if now.Sub(d.MadeAt) > late { // the next one is there
			d.State = records.DeliveryDropped
		}
		return d
	}
	until := r.until(*d.Notice, now)
	switch {
	case !d.Notice.Owed && r.untold(*d.Notice):
		d.State = records.DeliveryDropped
	case until.After(now):
		d.State, d.NextAt = records.DeliveryHeld, until
	case !d.Notice.Owed && (d.State == records.DeliveryHeld || now.Sub(d.Notice.Event.At) > late):
		d.State = records.DeliveryDropped
	default:
		d.State = records.DeliveryWaiting
	}
	return d
}

// How often and for how long an attempt is repeated.
const (
	firstWait  = 30 * time.Second
	longWait   = time.Hour
	finalTries = 5             // of what the receiver refuses for good: it may be being set up anew
	maxAsked   = 6 * time.Hour // how long a receiver may ask to be left alone
)

// Backoff is the wait after so many attempts: 30 s doubled each time, at most an
// hour. Half of it is random (jitter from 0 to 1), so that senders do not all try at
// the same moment.
func Backoff(attempts int, jitter float64) time.Duration {
	wait := longWait
	if attempts >= 1 && attempts <= 8 { // past that it is the longest anyway
		wait = min(longWait, firstWait<<(attempts-1))
	}
	return wait/2 + time.Duration(jitter*float64(wait/2))
}

// Failure is an attempt that failed.
type Failure struct {
	Why   string        // for an administrator: no patient data, no secret
	Final bool          // the receiver refuses it for good
	After time.Duration // the receiver asks to be left alone for so long; 0: does not say
}

// Error is the reason.
func (f *Failure) Error() string { return f.Why }

// After is a delivery after an attempt: Attempts counts it already.
func After(d records.NoticeDelivery, f *Failure, now time.Time, jitter float64) records.NoticeDelivery {
	if f == nil {
		d.State, d.Trouble, d.NextAt = records.DeliverySent, "", now
		return d
	}
	d.State, d.Trouble = records.DeliveryWaiting, f.Why
	d.NextAt = now.Add(max(Backoff(d.Attempts, jitter), min(f.After, maxAsked)))
	if f.Final && d.Attempts >= finalTries {
		d.State, d.NextAt = records.DeliveryFailed, now
	}
	return d
}
