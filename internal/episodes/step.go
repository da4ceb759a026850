package episodes

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// Condition is something owed that holds at a moment.
type Condition struct {
	Kind    records.EpisodeKind
	StayID  string
	Trigger string
	Rule    string
	Figures clinical.Figures
	Since   time.Time          // of the fall, set or hour that makes it owed; zero where nothing tells it
	Facts   []records.FactName // the evidence: one that an episode does not know opens it again
	// Opens is false for a condition that keeps an episode open and opens none:
	// the window in which the list speaks of it has passed, and no evidence has
	// come. An episode does not end by silence.
	Opens bool
	// Quiet is true of a recheck that falls due before the next shift and is not overdue: it
	// is owed, and nobody is told of it yet.
	Quiet  bool
	Answer *PutOffBy // nil where no answer has put it off
}

// PutOffBy is an answer on the chart that has put a recheck off (R-ANSWER).
type PutOffBy struct {
	Answer string // of clinical.Answers
	Until  time.Time
	Fact   records.FactName
}

// ID is the identity of the condition's episode.
func (c Condition) ID() string { return IDOf(c.Kind, c.StayID, c.Trigger) }

// Presence is what is known of a stay that is on the unit, besides its conditions.
type Presence struct {
	Chart              []records.FactName  // what was known: no new evidence for what ends now
	SetAt              time.Time           // start of the latest set that can be read; zero: none
	Set                []records.FactName  // its readings
	Blocked            bool                // a recheck is owed that may not be done
	PutOff             []string            // episodes whose recheck an answer has put off, by id
	Died               bool                // of a fall
	PrecautionsInPlace bool                // precautions are needed, and none is missing
	Lifted             map[string]Evidence // what ended the block of a fall, by the id of its clearance's episode
}

// Scene is what holds on one unit, or of the feeds, at one moment.
type Scene struct {
	At    time.Time
	Unit  string // "" for the feeds
	Stays map[string]Presence
	Holds []Condition
}

// IDs are the identities of the scene's conditions, each once, in one order.
func (s Scene) IDs() []string {
	out := make([]string, len(s.Holds))
	for n, c := range s.Holds {
		out[n] = c.ID()
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Step compares the episodes that there are with what holds, and returns what
// happens, at most one transition an episode. have must hold the unit's episodes
// that are not done, and every episode of the scene's identities. Stepping twice
// at one moment does nothing the second time.
func Step(have []records.Episode, now Scene) []records.EpisodeChange {
	byID := make(map[string]records.Episode, len(have))
	for _, e := range have {
		byID[e.ID] = e
	}
	holds := make(map[string]Condition, len(now.Holds))
	var ids []string
	for _, c := range now.Holds {
		id := c.ID()
		if _, twice := holds[id]; !twice {
			holds[id] = c
			ids = append(ids, id)
		}
	}
	for id, e := range byID {
		if _, held := holds[id]; !held && e.Active() && e.Unit == now.Unit {
			ids = append(ids, id)
		}
	}
	slices.SortFunc(ids, strings.Compare)

	var out []records.EpisodeChange
	for _, id := range ids {
		e, exists := byID[id]
		c, held := holds[id]
		var v *records.EpisodeEvent
		switch {
		case !held:
			v = end(e, now)
		case !exists:
			v = open(c, now)
			e = records.Episode{ID: id, Kind: c.Kind, StayID: c.StayID, Trigger: c.Trigger}
		case e.Active():
			v = goOn(e, c, now)
		default:
			v = again(e, c, now)
		}
		if v != nil {
			v.Who = records.Program
			out = append(out, transition(e, *v, now.At))
		}
	}
	return out
}

// said is an event with the sentence and the evidence of a condition, which nobody has in
// hand after it. What an answer has put off stays put off by it.
func said(what records.EpisodeWhat, c Condition, now Scene, tells bool) *records.EpisodeEvent {
	v := &records.EpisodeEvent{
		What: what, To: Open, Unit: now.Unit, Since: c.Since, Rule: c.Rule, Figures: c.Figures, Facts: union(c.Facts),
		Tells: tells && !c.Quiet,
	}
	if c.Answer != nil {
		v.To, v.Reason, v.Until = Answered, c.Answer.Answer, c.Answer.Until
		v.Facts = union(v.Facts, []records.FactName{c.Answer.Fact})
	}
	return v
}

func open(c Condition, now Scene) *records.EpisodeEvent {
	if !c.Opens {
		return nil
	}
	return said(Opened, c, now, true)
}

// goOn is what happens to an episode that is owed still.
func goOn(e records.Episode, c Condition, now Scene) *records.EpisodeEvent {
	untold := !slices.Contains(e.Told, now.Unit)
	over := !e.Until.IsZero() && !now.At.Before(e.Until)
	switch {
	case e.Unit != now.Unit:
		return said(Moved, c, now, untold)
	case c.Answer != nil && c.Answer.news(e):
		return said(AnswerMoved, c, now, false)
	case e.State == Answered && c.Answer == nil:
		return said(AnswerOver, c, now, untold)
	case e.State == Deferred && over:
		return said(DeferralOver, c, now, untold)
	case e.State == Assigned && over:
		return said(GivenOver, c, now, untold)
	case !c.Quiet && untold:
		v := said(FellDue, c, now, true)
		v.To = e.State
		return v
	}
	return nil
}

// news reports whether an answer says what an episode does not know yet.
func (a PutOffBy) news(e records.Episode) bool {
	return !slices.Contains(e.Known, a.Fact) || e.State == Answered && !e.Until.Equal(a.Until)
}

// again is what happens to an episode that was done, and whose condition holds.
func again(e records.Episode, c Condition, now Scene) *records.EpisodeEvent {
	untold := !slices.Contains(e.Told, now.Unit)
	switch {
	case c.Opens && len(without(c.Facts, e.Known)) > 0:
		return said(Reopened, c, now, true)
	case e.Ending == ByPerson && len(Closings[e.Kind]) > 0:
		return nil // what nobody can close now, and was closed before December 2026, is owed again
	case e.Unit != now.Unit && untold:
		return said(Moved, c, now, true)
	}
	// Standing is blocked anew: the last word told was that the patient may stand.
	return said(Resumed, c, now, untold || e.Kind == ClearanceOwed)
}

// end is the ending by evidence of an episode whose condition does not hold.
func end(e records.Episode, now Scene) *records.EpisodeEvent {
	v := &records.EpisodeEvent{What: Ended, To: Done, Unit: e.Unit, Reason: NoLongerHolds}
	p, here := now.Stays[e.StayID]
	set := without(p.Set, e.Known)
	switch {
	case e.Kind == FeedStale:
		v.Reason = FeedBack
	case !here:
		v.Reason = LeftUnit
	case p.Died && e.Kind != DataContradiction:
		v.Reason = PatientDied
	case ofSet(e.Kind) && p.Blocked:
		v.Reason = CannotBeDone
	case slices.Contains(p.PutOff, e.ID):
		v.Reason = PutOffByAnswer
	case !p.Lifted[e.ID].ClearedAt.IsZero():
		v.Reason, v.Figures = Cleared, p.Lifted[e.ID]
	case !p.Lifted[e.ID].SetAt.IsZero():
		v.Reason, v.Figures = StoodSince, p.Lifted[e.ID]
	case e.Kind == PrecautionsMissing && p.PrecautionsInPlace:
		v.Reason = PrecautionsInPlace
	case endsBySet(e.Kind) && len(set) > 0 && !before(p.SetAt, e.Figures):
		v.Reason, v.Facts = SetDone, p.Set
		v.Figures = Evidence{SetAt: p.SetAt}
	}
	v.Learned = without(p.Chart, union(e.Known, v.Facts))
	return v
}

// before reports whether a set was begun before the one of which figures speak. It
// was the latest then, and no answer to what came after it.
func before(set time.Time, of clinical.Figures) bool {
	told, known := of.(alerts.SetFigures)
	return known && set.Before(told.SetAt)
}

// endsBySet: what a set that can be read is the answer to.
func endsBySet(k records.EpisodeKind) bool {
	return k == RecheckOverdue || k == TellProvider || k == FallWithoutSet
}

// SceneOf is what holds of the patients of a unit, by their assessments at a moment, and
// what falls due by the moment before: the beginning of the next shift.
func SceneOf(unit string, list []alerts.Assessment, p clinical.Policy, at, before time.Time) Scene {
	s := Scene{At: at, Unit: unit, Stays: make(map[string]Presence, len(list))}
	for _, a := range list {
		s.Stays[a.Digest.StayID] = presenceOf(a)
		s.Holds = append(s.Holds, Conditions(a, p, before)...)
	}
	s.Holds = append(s.Holds, twoStaysAtOnce(list)...)
	return s
}

func presenceOf(a alerts.Assessment) Presence {
	p := Presence{
		Chart: ChartOf(a.Digest), Blocked: a.Recheck.State == alerts.Blocked, Died: a.Died(),
		PrecautionsInPlace: a.Precautions.Needed && a.Precautions.Missing != nil && len(a.Precautions.Missing) == 0,
	}
	for _, i := range a.Recheck.Open {
		if i.Answer != nil {
			p.PutOff = append(p.PutOff, IDOf(RecheckOverdue, a.Digest.StayID, i.Rule+" "+instanceKey(a.Digest, i)))
		}
	}
	for _, f := range a.Digest.Falls {
		switch c, set := a.Lifted(f.SourceID); {
		case c != nil:
			p.lift(a, f, Evidence{ClearedAt: c.At, ClearedBy: c.By})
		case set != nil:
			p.lift(a, f, Evidence{SetAt: set.StartedAt})
		}
	}
	if set := a.Digest.LatestInterpretable(); set != nil {
		p.SetAt, p.Set = set.StartedAt, factsOf(clinical.KindVitals, set.Facts)
	}
	return p
}

func (p *Presence) lift(a alerts.Assessment, f trends.FallFact, by Evidence) {
	if p.Lifted == nil {
		p.Lifted = map[string]Evidence{}
	}
	p.Lifted[IDOf(ClearanceOwed, a.Digest.StayID, clearanceKey(f.SourceID))] = by
}

// Silence is a feed that is not read as it should be.
type Silence struct {
	Feed  string
	Since time.Time // of the last that was read of it; zero: nothing ever
	Why   string    // for people
}

// kindFeed is the kind of the evidence of a silence: that it began. It is no kind
// of fact, and is named beside them.
const kindFeed clinical.Kind = "feed"

// SilenceScene is what holds of the feeds: one condition for each that is silent.
// The start of the silence is its evidence, so that a second silence is told anew
// and a restart amid one is not.
func SilenceScene(silent []Silence, at time.Time) Scene {
	s := Scene{At: at}
	for _, f := range silent {
		since := "nothing read yet"
		figures := FeedFigures{Feed: f.Feed, Why: f.Why}
		if !f.Since.IsZero() {
			since, figures.Since = moment(f.Since), &f.Since
		}
		s.Holds = append(s.Holds, Condition{
			Kind: FeedStale, Trigger: f.Feed, Rule: CFeed, Figures: figures, Since: f.Since,
			Facts: []records.FactName{{Kind: kindFeed, SourceID: f.Feed + " since " + since}}, Opens: true,
		})
	}
	return s
}

// moment writes a moment for an identity: to the microsecond that the store keeps.
func moment(t time.Time) string { return t.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano) }
