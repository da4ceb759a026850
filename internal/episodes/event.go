package episodes

import (
	"slices"
	"time"

	"plumbline/internal/records"
)

// What happens to an episode.
const (
	Opened       records.EpisodeWhat = "opened"        // its condition holds for the first time
	Reopened     records.EpisodeWhat = "reopened"      // it was done, and there is new evidence
	Resumed      records.EpisodeWhat = "resumed"       // it was done by evidence, and the condition holds again without any
	Moved        records.EpisodeWhat = "moved"         // the patient is on another unit, whose it is now
	DeferralOver records.EpisodeWhat = "deferral_over" // the end of a deferral has come
	TakenOn      records.EpisodeWhat = "taken"
	Released     records.EpisodeWhat = "released"
	PutOff       records.EpisodeWhat = "deferred"
	Closed       records.EpisodeWhat = "closed" // done, by a person
	Ended        records.EpisodeWhat = "ended"  // done, by evidence
)

// Reasons of an ending by evidence.
const (
	SetDone            = "set_done"             // a set that can be read was taken
	PrecautionsInPlace = "precautions_in_place" // nothing is missing
	CannotBeDone       = "blocked"              // the recheck may not be done now
	LeftUnit           = "left_unit"            // the patient is no longer on the unit
	FeedBack           = "feed_back"            // the feed is read again
	NoLongerHolds      = "no_longer_holds"      // corrected, cleared, or asked for otherwise
)

// Apply is the episode after an event.
func Apply(e records.Episode, v records.EpisodeEvent) records.Episode {
	if v.What == Opened {
		e = records.Episode{ID: v.EpisodeID, Kind: v.Kind, StayID: v.StayID, Trigger: v.Trigger, OpenedAt: v.At}
	}
	e.Unit, e.State, e.ChangedAt, e.Events = v.Unit, v.To, v.At, v.N
	e.Who, e.Reason, e.Note, e.Until, e.Ending = "", v.Reason, v.Note, v.Until, ""
	switch v.To {
	case Taken, Deferred:
		e.Who = v.Who
	case Done:
		e.Who, e.Ending = v.Who, ByEvidence
		if v.What == Closed {
			e.Ending = ByPerson
		}
	case Open:
		e.Reason = ""
	}
	if v.To != Done && v.Rule != "" {
		e.Rule, e.Figures, e.Facts = v.Rule, v.Figures, v.Facts
	}
	if v.What == Opened || v.What == Reopened {
		e.RaisedAt, e.Told = v.At, nil
	}
	if v.Tells {
		e.Told = append(slices.Clone(e.Told), v.Unit)
	}
	e.Known = union(e.Known, v.Facts, v.Learned)
	return e
}

// Replay is the state that events, in their order, give.
func Replay(events []records.EpisodeEvent) records.Episode {
	var e records.Episode
	for _, v := range events {
		e = Apply(e, v)
	}
	return e
}

// At is an episode as it stood at a moment; false where it had not opened yet.
func At(events []records.EpisodeEvent, moment time.Time) (records.Episode, bool) {
	n := 0
	for n < len(events) && !events[n].At.After(moment) {
		n++
	}
	return Replay(events[:n]), n > 0
}

// transition makes the next event of an episode. The times of a history never go
// back, whatever the clocks of several machines say.
func transition(e records.Episode, v records.EpisodeEvent, at time.Time) records.EpisodeChange {
	if at.Before(e.ChangedAt) {
		at = e.ChangedAt
	}
	v.EpisodeID, v.N, v.At, v.From = e.ID, e.Events+1, at, e.State
	v.Kind, v.StayID, v.Trigger = e.Kind, e.StayID, e.Trigger
	return records.EpisodeChange{Episode: Apply(e, v), Event: v}
}
