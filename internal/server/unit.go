package server

import (
	"context"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// listView is the huddle's page of a unit: who fell, what changed since the last
// huddle, what is owed, and the ranked list. It holds nothing of an account, save
// for what is in its sight.
type listView struct {
	Unit      string
	Moment    *moment
	AsOf      bool   // the list as it was known at another moment
	Self      string // as it stands now, with the same choice
	Path      string
	Patients  string
	Empty     bool
	Feed      feedLine
	Counts    []countView
	Fell      []fellView
	FellSince *moment
	Since     sinceView
	Owed      shiftView
	Choice    chooseView
	Groups    []groupView
	Shown     int
	People    []string // to whom what is owed may be given
	Names     bool     // names are shown
	Keys      bool     // rows lead somewhere, so that keys are of use
	Sheet     sheetView
}

// countView counts the patients of a tier, whatever is chosen.
type countView struct {
	Tier, Name, URL string
	Count           int
}

// groupView is a part of the list under one heading: a tier, or all in another order.
type groupView struct {
	ID, Tier, Name, Intro string
	Mixed                 bool // rows of several tiers
	Rows                  []rowView
}

// Count is the number of rows of the group.
func (g groupView) Count() int { return len(g.Rows) }

type rowView struct {
	Rank       int
	Tier       string
	TierName   string
	Bed        string
	Name       string
	PatientID  string
	Age        string
	URL        string      // of the patient; "" on a display, which shows neither names nor ages
	SetURL     string      // where a set of the patient is taken; "" where the account records none
	Lead       *reasonView // the deciding reason; nil in the last tier
	Others     []reasonView
	Owed       []dueView
	Later      *recheckView // a recheck that is not owed in this shift, or cannot be done
	Guarded    string       // what is said of precautions where none is missing
	Set        *setLine
	SetMissing string
	Trend      trendView
	Change     string // the latest change of a blood-pressure-lowering drug
}

type reasonView struct {
	Text string
	Rule ruleLink
}

// ruleLink names a rule and leads to what it says.
type ruleLink struct{ ID, URL, Says string }

type recheckView struct {
	State   string // as a word of the rules, for its mark
	Word    string
	Due     *moment
	Why     string
	Rule    *ruleLink
	Missing []string
}

type precautionsView struct {
	Note    string // said in place of a list
	Known   bool
	Missing []string
	InPlace []string
}

// setLine is a set in one line.
type setLine struct {
	At       *moment
	Kind     string
	From, To string // pressures lying and standing
	FromWord string
	ToWord   string
	Drop     string // "34 systolic, 12 diastolic"
	Finding  string // a word of the rules, for its mark
	Says     string
	Grade    string
	Filled   bool // drawn filled: quality complete
	Notes    []string
	Symptoms []string
}

// trendView is an arrow and the words that it stands for.
type trendView struct{ Arrow, Words string }

func (s *server) unitPage(c *gin.Context) {
	when, ok := s.asOf(c)
	if !ok {
		return
	}
	ctx, unit, account, chosen := c.Request.Context(), c.Param("unit"), accountOf(c), choiceOf(c.Request.URL.Query())
	sees := sight{
		names: !chosen.noNames && account.May(auth.ViewNames, auth.ViewStay), feeds: account.May(auth.ViewFeeds),
		acts: when.live && s.Assignments != nil && account.May(auth.ViewNames, auth.ViewStay, auth.ActOnEpisodes),
	}
	sees.acts = sees.acts && sees.names
	sees.sets = sees.names && when.live && s.Sets != nil && account.May(auth.RecordSet)
	kept, err := s.answerAbout(ctx, unit, when)
	if err != nil {
		s.fail(c, err)
		return
	}
	given, err := s.givenOn(ctx, unit, when)
	if err != nil {
		s.fail(c, err)
		return
	}
	name := sees.String() + " " + chosen.query().Encode() + " " + given.state
	body, err := kept.body(name, func(a *answer) (template.HTML, error) {
		return s.pages.part("list", s.listView(ctx, unit, when, a, sees, chosen, given))
	})
	if err != nil {
		s.fail(c, err)
		return
	}
	f := s.frame(c, text.Say("huddle.title", unit)).at(unitURL(unit))
	if when.live {
		f = f.live(when.at)
		f.Refresh = true
		f.Owed = s.owedLine(account, unit, given)
	}
	p, err := kept.within(s.pages, f, name, body)
	if err != nil {
		s.fail(c, err)
		return
	}
	s.sendPage(c, http.StatusOK, p)
}

// sight is what of a list depends on who looks at it.
type sight struct{ names, feeds, acts, sets bool }

func (s sight) String() string {
	return strconv.FormatBool(s.names) + " " + strconv.FormatBool(s.feeds) + " " + strconv.FormatBool(s.acts) + " " + strconv.FormatBool(s.sets)
}

// answerAbout takes the live answer of a minute from those kept, unless facts or
// another policy have come in since it was made; that of another moment is made anew.
func (s *server) answerAbout(ctx context.Context, unit string, when asked) (*keptList, error) {
	if !when.live {
		a, err := s.answer(ctx, unit, when, "", nil)
		return &keptList{answer: a}, err
	}
	data := ""
	if s.DataState != nil {
		var err error
		if data, err = s.DataState(ctx); err != nil {
			return nil, err
		}
	}
	data += " " + policy.For(ctx, s.Deps.Policy).Hash
	return s.lists.get(ctx, unit, when.at, data, func(ctx context.Context, before *answer) (*answer, error) {
		return s.answer(ctx, unit, when, data, before)
	})
}

// answer works out the list of a unit, and what has changed since its last huddle.
// The list of then is taken over from an answer before where it rests on the same.
func (s *server) answer(ctx context.Context, unit string, when asked, data string, before *answer) (*answer, error) {
	ask := s.Board.List
	if when.live {
		ask = s.Board.Live
	}
	list, err := ask(ctx, unit, when.at)
	if err != nil {
		return nil, err
	}
	s.metrics.lists.Inc()
	p := policy.For(ctx, s.Deps.Policy).Policy.Unit
	from := alerts.LastHuddle(p, s.Zone, when.at)
	a := &answer{at: when.at, list: list, nextShift: alerts.NextShift(p, s.Zone, when.at)}
	a.thenFor = from.Format(time.RFC3339) + " " + data
	if before != nil && when.live && s.DataState != nil && before.thenFor == a.thenFor {
		a.then = before.then
	} else if a.then, err = s.Board.List(ctx, unit, from); err != nil && clinical.CodeOf(err) != clinical.NotFound {
		return nil, err
	}
	left, err := s.departures(ctx, unit, a.then, list, when.at)
	if err != nil {
		return nil, err
	}
	a.since = alerts.Compare(a.then, list, left, from, when.at)
	if a.came, err = s.arrivals(ctx, unit, a.since.Arrived, when.at); err != nil {
		return nil, err
	}
	if when.live && s.Assignments != nil {
		a.people, err = s.peopleOf(ctx, unit)
	}
	return a, err
}

// departures are those of the list of then who are not on the list of now.
func (s *server) departures(ctx context.Context, unit string, then, now []alerts.Assessment, at time.Time) ([]alerts.Departure, error) {
	here := make(map[string]bool, len(now))
	for _, a := range now {
		here[a.Digest.StayID] = true
	}
	var out []alerts.Departure
	for _, a := range then {
		if here[a.Digest.StayID] {
			continue
		}
		view, err := s.Board.Stay(ctx, a.Digest.StayID, at)
		switch {
		case clinical.CodeOf(err) == clinical.NotFound:
			out = append(out, alerts.Departure{Of: a}) // the stay was taken back
			continue
		case err != nil:
			return nil, err
		}
		d := alerts.Departure{Of: a}
		for _, p := range trends.PresencesOf(view.Chart) {
			if p.Unit == unit && !p.To.IsZero() {
				d = alerts.Left(view.Assessment, p.To)
			}
		}
		out = append(out, d)
	}
	return out, nil
}

// arrival is a move onto a unit, from the one before it.
type arrival struct {
	from string
	at   time.Time
}

// arrivals tells which of those who came were moved here from another unit of the
// hospital, and when; the rest were admitted here.
func (s *server) arrivals(ctx context.Context, unit string, came []alerts.Assessment, at time.Time) (map[string]arrival, error) {
	out := map[string]arrival{}
	for _, a := range came {
		view, err := s.Board.Stay(ctx, a.Digest.StayID, at)
		switch {
		case clinical.CodeOf(err) == clinical.NotFound:
			continue // taken back since the list was made
		case err != nil:
			return nil, err
		}
		before := ""
		for _, p := range trends.PresencesOf(view.Chart) {
			if p.Unit == unit && before != "" && p.Holds(at) {
				out[a.Digest.StayID] = arrival{before, p.From}
			}
			before = p.Unit
		}
	}
	return out, nil
}

func (s *server) listView(ctx context.Context, unit string, when asked, a *answer, sees sight, chosen choice, given given) listView {
	l := lister{
		server: s, times: times{s.Board.Catalogue(when.at), when.live}, policy: policy.For(ctx, s.Deps.Policy).Policy,
		answer: a, sees: sees, chosen: chosen, given: given,
	}
	if !when.live {
		l.query = asOfQuery(when.at)
	}
	v := listView{
		Unit: unit, Moment: l.plain(when.at), AsOf: !when.live, Path: unitURL(unit),
		Patients: text.Plural(len(a.list), "patient", "patients"), Empty: len(a.list) == 0, Feed: s.feedLine(ctx),
		Names: sees.names, Keys: sees.names,
	}
	if sees.acts {
		v.People = a.people
	}
	v.Self = v.Path
	if q := chosen.query().Encode(); q != "" {
		v.Self += "?" + q
	}
	v.Feed.Linked = sees.feeds
	v.Counts = l.counts()
	v.Fell, v.FellSince = l.fell()
	v.Since = l.since()
	v.Choice = l.chooseView(unit, when)
	v.Groups = l.groups()
	for _, g := range v.Groups {
		v.Shown += len(g.Rows)
	}
	v.Choice.Shown = text.Say("huddle.shown", v.Shown, len(a.list))
	v.Owed = l.owed(unit)
	v.Sheet = l.sheet(v)
	return v
}

func (s *server) age(stay clinical.Stay, t times) string {
	if age, known := trends.AgeOn(stay.BirthDate, t.At, s.Zone); known {
		return strconv.Itoa(age) + " y"
	}
	return "age not known"
}

func (s *server) reasons(t times, a alerts.Assessment) []reasonView {
	out := make([]reasonView, 0, len(a.Reasons))
	for _, r := range a.Reasons {
		out = append(out, reasonView{t.Reason(r), s.rule(r.Rule)})
	}
	return out
}

// rule links a rule's name to its explanation.
func (s *server) rule(id string) ruleLink {
	return ruleLink{ID: id, URL: "/rules#" + id, Says: s.ruleTexts()[id]}
}

func (s *server) recheckView(t times, r alerts.Recheck) recheckView {
	v := recheckView{State: r.State, Word: text.RecheckStates[r.State], Missing: text.Missing(r.Missing)}
	if r.DueAt != nil {
		v.Due = t.due(*r.DueAt)
		v.Why = text.RecheckWhy(r.Rule, r.Drug, r.Change)
		link := s.rule(r.Rule)
		v.Rule = &link
	}
	return v
}

func precautionsOf(p alerts.Precautions) precautionsView {
	v := precautionsView{Known: p.InPlace != nil, InPlace: p.InPlace, Missing: p.Missing}
	switch {
	case p.InPlace == nil:
		v.Note = text.PrecautionsNotCarried
	case !p.Needed:
		v.Note = text.PrecautionsNotAsked
	case len(p.Missing) == 0:
		v.Note = text.PrecautionsAll
	}
	return v
}

var arrows = map[string]string{trends.Worsening: "↗", trends.Improving: "↘", trends.Steady: "→"}

func trendOf(s trends.Serial) trendView { return trendView{arrows[s.Trend], text.Trend(s)} }

// dash stands for what was not charted.
const dash = "–"

func number(v *float64) string {
	if v == nil {
		return dash
	}
	return text.Figure(*v)
}

func lineOf(t times, set trends.Set) *setLine {
	l := &setLine{
		At: t.ago(set.StartedAt), Kind: text.Kinds[set.Kind], From: "not charted", To: "not charted",
		FromWord: "lying", ToWord: "standing",
		Finding: set.Finding, Says: text.Findings[set.Finding], Grade: text.Grades[set.Quality],
		Filled: set.Quality == trends.Complete, Notes: set.QualityNotes, Symptoms: set.Symptoms,
	}
	if b := set.Baseline; b != nil {
		l.From, l.FromWord = text.Pressure(b.Systolic, b.Diastolic), string(b.Position)
	}
	if u := text.Decisive(set); u != nil {
		l.To, l.ToWord = text.Pressure(u.Systolic, u.Diastolic), string(u.Position)
		if u.Minutes != nil {
			l.ToWord += " " + text.Figure(*u.Minutes) + " min"
		}
	} else if !slices.ContainsFunc(set.Upright, func(u trends.Upright) bool { return u.Position == clinical.Standing }) {
		l.ToWord = "did not stand"
	}
	l.Drop = text.Drops(set)
	return l
}
