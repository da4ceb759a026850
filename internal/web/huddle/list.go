package huddle

import (
	"context"
	"fmt"
	"html/template"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// listView is the huddle's page of a unit: who fell, what changed since the last
// huddle, what is owed, and the ranked list. It holds nothing of an account, save
// for what is in its sight.
type listView struct {
	Unit      string
	Moment    *frame.Moment
	AsOf      bool   // the list as it was known at another moment
	Apart     string // that names given by then do not show; "" where they do
	Self      string // as it stands now, with the same choice
	Path      string
	Patients  string
	Empty     bool
	Feed      parts.FeedLine
	Newest    *frame.Moment // the newest pressure or pulse from the feeds; nil for none
	Stale     bool          // it is too old
	Came      string        // when each kind of fact last came; "" where it is not known
	Counts    []countView
	Fell      []fellView
	FellSince *frame.Moment
	Since     sinceView
	Before    *frame.Moment // when the next shift begins
	Questions []parts.Question
	Choice    chooseView
	Groups    []groupView
	Shown     int
	People    []string // to whom what is owed may be given
	Names     bool     // names are shown
	Keys      bool     // rows lead somewhere, so that keys are of use
	Sheet     sheetView
	Notes     *parts.Notes // of the unit; nil without names
}

// countView counts the patients of a tier, whatever is chosen.
type countView struct {
	Tier, Name, URL string
	Count           int
}

// groupView is a part of the list under one heading: a tier, or all in another order.
type groupView struct {
	ID, Tier, Name, Intro string
	Rows                  []rowView
}

// Count is the number of rows of the group.
func (g groupView) Count() int { return len(g.Rows) }

type rowView struct {
	lineView
	ID          string // of the row
	Mixed       bool   // it stands among rows of other tiers
	Before      string // when the next shift begins
	Rank        int
	Tier        string
	TierName    string
	Bed         string
	Name        string
	PatientID   string
	Age         string
	URL         string            // of the patient; "" on a display, which shows neither names nor ages
	SetURL      string            // where a set of the patient is taken; "" where the account records none
	Lead        *parts.ReasonView // the deciding reason; nil in the last tier
	Others      []parts.ReasonView
	Owed        []dueView
	Done        []dueView          // what the list says and is done already
	Later       *parts.RecheckView // a recheck that is not owed in this shift, or cannot be done
	Blocked     bool               // a recheck is open that cannot be done: "nothing owed" would not be true
	Limbs       []string           // that must not be measured
	Low         *parts.Low         // a low pressure at rest that no reason tells
	Chest       *parts.Low         // pain in the chest at a set of the last hours
	Emergencies []parts.Low        // that no rule of the list tells
	Quiet       string             // that the feeds have brought no vital sign for long; "" else
	InPlace     string             // what is said of precautions where none is missing
	Trend       parts.TrendView
	Change      string       // the latest change of a blood-pressure-lowering drug
	Handover    string       // the state of the patient as plain text; "" without names
	Notes       *parts.Notes // for the handover; nil without names
}

func (s *service) unitPage(c *frame.Request) (frame.Page, error) {
	when, err := s.AsOf(c)
	if err != nil {
		return nil, err
	}
	ctx, unit, account, chosen := c.Request.Context(), c.Param("unit"), frame.AccountOf(c), choiceOf(c.Request.URL.Query())
	sees := sight{
		names: !chosen.noNames && account.May(records.ViewNames, records.ViewStay), feeds: account.May(records.ViewFeeds),
	}
	if sees.names && when.Live && s.Episodes != nil {
		sees.by = account
		sees.acts = account.May(records.ActOnEpisodes) || account.May(records.ReviewDoses)
		sees.closes, sees.reviews = account.May(records.CloseEpisodes), account.May(records.ReviewDoses)
	}
	sees.sets = sees.names && when.Live && s.TakesSets && account.May(records.RecordSet)
	kept, err := s.answerAbout(ctx, unit, when)
	if err != nil {
		return nil, err
	}
	given := s.standingOn(ctx, unit, when, kept.answer)
	if chosen = chosen.among(append(ownersIn(given), kept.answer.people...)); chosen.given == mine {
		sees.me = account.Name
	}
	for _, t := range given.things {
		if t.State == episodes.Taken && t.Who == account.Name {
			sees.mine = account.Name // its forms differ from those of others
		}
	}
	name := fmt.Sprintf("%s %s %q %s", sees, chosen.query().Encode(), chosen.unknown, given.state)
	body, err := kept.body(name, func(a *answer) (template.HTML, error) {
		return s.Pages.Part("list", s.listView(ctx, unit, when, a, sees, chosen, given))
	})
	if err != nil {
		return nil, err
	}
	fresh := s.FreshOf(ctx, unit, kept.answer.list, when.At)
	f := s.LayoutOf(c, text.Say("huddle.title", unit), fresh, when).At(frame.UnitURL(unit))
	if when.Live {
		f = f.Live(when.At)
		f.Refresh = true
		f.Owed = s.owedLine(account, unit, given)
	}
	return kept.within(s.Pages, f, name, body)
}

// sight is which parts of a list the reader may see.
type sight struct {
	names, feeds, sets    bool
	acts, closes, reviews bool   // what the account may do with what is owed
	mine                  string // the account's name where it has taken something here
	me                    string // the account's name where its own is asked for
	by                    records.Account
}

// String names all of a sight on which a page depends.
func (s sight) String() string {
	all := s.by.May(records.ActOnEpisodes)
	return fmt.Sprintf(
		"%v %v %v %v %v %v %v %q %q", s.names, s.feeds, s.sets, s.acts, all, s.closes, s.reviews, s.mine, s.me,
	)
}

// listerOf makes the views of an answer, with the marks of its patients.
func (s *service) listerOf(
	ctx context.Context, unit string, when frame.Asked, a *answer, fresh alerts.Freshness, sees sight, chosen choice,
	given standing,
) lister {
	l := lister{
		service: s, Times: s.Times(when.At, when.Live), policy: s.PolicyFor(ctx).Policy,
		answer: a, sees: sees, chosen: chosen, given: given, news: newsOf(a.since),
	}
	if !when.Live {
		l.query = frame.AsOfQuery(when.At)
	}
	if l.quiet = func(alerts.Assessment) bool { return false }; !fresh.Stale {
		after := alerts.QuietAfterOf(a.list, l.policy.Unit, when.At)
		l.quiet = func(one alerts.Assessment) bool { return one.Quiet(after) } // else the banner says it of all
	}
	l.marks = make(map[string][]markView, len(a.list))
	for _, one := range a.list {
		l.marks[one.Digest.StayID] = l.marksOf(one)
	}
	return l
}

func (s *service) listView(
	ctx context.Context, unit string, when frame.Asked, a *answer, sees sight, chosen choice, given standing,
) listView {
	fresh := s.FreshOf(ctx, unit, a.list, when.At)
	l := s.listerOf(ctx, unit, when, a, fresh, sees, chosen, given)
	v := listView{
		Unit: unit, Moment: l.Moment(when.At), AsOf: !when.Live, Path: frame.UnitURL(unit),
		Patients: text.Plural(len(a.list), text.Say("counts.patient"), text.Say("counts.patients")), Empty: len(a.list) == 0,
		Feed:  s.Feeds.Line(ctx, s.Log, s.Times(s.Clock(), true)),
		Names: sees.names, Keys: sees.names,
	}
	if sees.acts {
		v.People = withOwners(a.people, given)
	}
	v.Self = v.Path
	if q := chosen.query().Encode(); q != "" {
		v.Self += "?" + q
	}
	v.Feed.Linked = sees.feeds
	if !given.apart.IsZero() {
		v.Apart = text.Say("parts.named-apart", l.Time(given.apart))
	}
	if came := s.LastCame(ctx, unit, when.At); came != nil && !v.Empty {
		v.Came = l.Came(came)
	}
	if v.Stale = fresh.Stale; fresh.Newest != nil {
		v.Newest = l.MomentAgo(*fresh.Newest)
	}
	v.Counts = l.counts()
	v.Fell, v.FellSince = l.fell()
	v.Since = l.since()
	v.Choice = l.chooseView(unit, when)
	v.Groups = l.groups()
	for _, g := range v.Groups {
		v.Shown += len(g.Rows)
	}
	v.Choice.Shown = text.Say("huddle.shown", v.Shown, len(a.list), len(a.list)-v.Shown)
	v.Before, v.Questions = l.MomentDue(a.nextShift), l.questions(unit)
	v.Sheet, v.Notes = l.sheet(), l.unitNotes(unit)
	return v
}
