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

	Given       records.EpisodeWhat = "assigned"        // to somebody, by a name
	GivenOver   records.EpisodeWhat = "assignment_over" // the huddle for which it was given is over
	FellDue     records.EpisodeWhat = "fell_due"        // a recheck is overdue now; it stays in the hands that it is in
	AnswerMoved records.EpisodeWhat = "answered"        // an answer on the chart has put it off (R-ANSWER)
	AnswerOver  records.EpisodeWhat = "answer_over"     // the time for which an answer has put it off is over
	AnswerGiven records.EpisodeWhat = "answer_given"    // somebody closed it by an answer, which was charted
	ToldOf      records.EpisodeWhat = "told"            // somebody told the provider
	ReviewBack  records.EpisodeWhat = "review_back"     // the dose review that closed it was taken back
)

// Reasons of an ending by evidence.
const (
	SetDone            = "set_done"             // a set that can be read was taken
	PrecautionsInPlace = "precautions_in_place" // nothing is missing
	CannotBeDone       = "blocked"              // the recheck may not be done now
	LeftUnit           = "left_unit"            // the patient is no longer on the unit
	FeedBack           = "feed_back"            // the feed is read again
	NoLongerHolds      = "no_longer_holds"      // corrected, cleared, or asked for otherwise
	PutOffByAnswer     = "put_off_by_answer"    // an answer on the chart has put it off beyond the shift
	PatientDied        = "died"                 // of a fall: nothing is asked for any more
	Cleared            = "cleared_to_stand"     // by a provider
	StoodSince         = "stood_since"          // a set showed that the patient stands, without a clearance
)

// Apply is the episode after an event.
func Apply(e records.Episode, v records.EpisodeEvent) records.Episode {
	if v.What == Opened {
		e = records.Episode{ID: v.EpisodeID, Kind: v.Kind, StayID: v.StayID, Trigger: v.Trigger, OpenedAt: v.At}
	}
	e.Unit, e.ChangedAt, e.Events = v.Unit, v.At, v.N
	if v.What != FellDue {
		e = inHands(e, v)
	}
	if v.To != Done && v.Rule != "" {
		e.Rule, e.Figures, e.Facts = v.Rule, v.Figures, v.Facts
	}
	if raises(e, v) {
		e.RaisedAt, e.Since = v.At, v.At
		if !v.Since.IsZero() && v.Since.Before(v.At) {
			e.Since = v.Since
		}
	}
	if v.What == Opened || v.What == Reopened || v.What == AnswerMoved || v.Reason == PutOffByAnswer {
		e.Told = nil // what comes after it is told anew
	}
	if v.Tells {
		e.Told = append(slices.Clone(e.Told), v.Unit)
	}
	e.Known = union(e.Known, v.Facts, v.Learned)
	return e
}

// raises reports whether an episode is owed anew from an event on: its age counts from
// there. What was not due before, or was put off by an answer, is once it is told.
func raises(e records.Episode, v records.EpisodeEvent) bool {
	return v.What == Opened || v.What == Reopened || v.Tells && len(e.Told) == 0
}

// inHands is the episode with the state, and the owner, that an event gives it.
func inHands(e records.Episode, v records.EpisodeEvent) records.Episode {
	e.State, e.Reason, e.Note, e.Until = v.To, v.Reason, v.Note, v.Until
	e.Who, e.By, e.Ending = "", "", ""
	if v.To != Deferred { // whom was told still counts while it is put off
		e.ToldWhom, e.ToldAt = "", time.Time{}
	}
	switch v.To {
	case Taken, Deferred:
		e.Who = v.Who
	case Assigned:
		e.Who, e.By = v.Name, v.Who
	case Told:
		e.Who, e.ToldWhom, e.ToldAt = v.Who, v.Name, v.ToldAt
	case Done:
		e.Who, e.Ending, e.ToldWhom, e.ToldAt = v.Who, ByEvidence, v.Name, v.ToldAt
		if v.What == Closed || v.What == ToldOf {
			e.Ending = ByPerson
		}
	case Open:
		e.Reason = ""
	}
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
