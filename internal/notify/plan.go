package notify

import (
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
)

// State is what has become of telling one notice by one channel.
type State string

// The states. The first two are to be told still.
const (
	Waiting State = "waiting"
	Held    State = "held"    // waits for the end of quiet hours, and is told only if still owed
	Sent    State = "sent"    // the receiver has taken it
	Failed  State = "failed"  // the receiver will not have it; given up
	Dropped State = "dropped" // nothing is owed any more, and it is late
	Skipped State = "skipped" // not told at once by this channel; the digest has it
)

// Notice is an event that people are to be told of.
type Notice struct {
	ID      string // as the store has it
	Event   episodes.Event
	Rule    string // with Figures the sentence; those of the event, or of its episode
	Figures clinical.Figures
	Owed    bool // its episode is not done
}

// Tier is how pressing it is.
func (n Notice) Tier() string { return TierOf(n.Event.Kind, n.Rule) }

// MessageID is the id under which a notice is told, however often. It holds no
// full stop: that separates the parts of what a webhook signs.
func MessageID(id string) string { return strings.ReplaceAll(id, ".", "-") }

// Delivery is the telling of one notice or digest by one channel.
type Delivery struct {
	ID       string // of the notice or digest, as the store has it
	Channel  string
	State    State
	Attempts int
	MadeAt   time.Time
	NextAt   time.Time // when it is to be tried, where it is to be told still
	Trouble  string    // of the last attempt; "" where that went well
	Body     []byte    // of a digest, which is fixed when it is made; nil of a notice
	Notice   *Notice   // nil of a digest
}

// late is when something not told yet is told only if it is still owed.
const late = 24 * time.Hour

// Rules are what planning goes by.
type Rules struct {
	Quiet Quiet
	Zone  *time.Location
}

// Plan says how a notice is told by a channel. atOnce is false where the channel
// leaves notices of its tier to the digest.
func (r Rules) Plan(n Notice, channel string, atOnce bool, now time.Time) Delivery {
	d := Delivery{ID: n.ID, Channel: channel, State: Waiting, MadeAt: now, NextAt: now, Notice: &n}
	until := r.Quiet.Until(n.Tier(), now, r.Zone)
	switch {
	case !atOnce:
		d.State = Skipped
	case !n.Owed && now.Sub(n.Event.At) > late:
		d.State = Dropped
	case until.After(now):
		d.State, d.NextAt = Held, until
	}
	return d
}

// Decide is what to do with a delivery whose time has come: State Waiting means
// to send it, any other that nothing is sent now.
func (r Rules) Decide(d Delivery, now time.Time) Delivery {
	if d.Notice == nil {
		if now.Sub(d.MadeAt) > late { // the next one is there
			d.State = Dropped
		}
		return d
	}
	until := r.Quiet.Until(d.Notice.Tier(), now, r.Zone)
	switch {
	case until.After(now):
		d.State, d.NextAt = Held, until
	case !d.Notice.Owed && (d.State == Held || now.Sub(d.Notice.Event.At) > late):
		d.State = Dropped
	default:
		d.State = Waiting
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
// hour, of which a random half (jitter from 0 to 1) keeps senders from knocking
// together.
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
func After(d Delivery, f *Failure, now time.Time, jitter float64) Delivery {
	if f == nil {
		d.State, d.Trouble, d.NextAt = Sent, "", now
		return d
	}
	d.State, d.Trouble = Waiting, f.Why
	d.NextAt = now.Add(max(Backoff(d.Attempts, jitter), min(f.After, maxAsked)))
	if f.Final && d.Attempts >= finalTries {
		d.State, d.NextAt = Failed, now
	}
	return d
}
