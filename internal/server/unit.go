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

// listView is the ranked list of a unit. It holds nothing of an account, save for
// whether names are shown and whether it leads to the feeds.
type listView struct {
	Unit     string
	Moment   *moment
	AsOf     bool // the list as it was known at another moment
	Self     string
	Patients string
	Empty    bool
	Feed     feedLine
	Tiers    []tierView
	Flags    int // patients with a dose review
}

type tierView struct {
	Tier, Name, Intro string
	Rows              []rowView
}

// Count is the number of patients of the tier.
func (t tierView) Count() int { return len(t.Rows) }

type rowView struct {
	Rank        int
	Bed         string
	Name        string
	PatientID   string
	Age         string
	URL         string      // of the patient; "" on a display, which shows neither names nor ages
	Lead        *reasonView // the deciding reason; nil in the last tier
	Others      []reasonView
	Recheck     recheckView
	Precautions precautionsView
	Review      []string // drugs of a dose review that is asked for
	ReviewRules []ruleLink
	Set         *setLine
	SetMissing  string
	Trend       trendView
	Change      string // the latest change of a blood-pressure-lowering drug
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
	unit, account := c.Param("unit"), accountOf(c)
	sees := sight{names: account.May(auth.ViewNames, auth.ViewStay), feeds: account.May(auth.ViewFeeds)}
	compute := func(ctx context.Context) (template.HTML, error) {
		ask := s.Board.List
		if when.live {
			ask = s.Board.Live
		}
		list, err := ask(ctx, unit, when.at)
		if err != nil {
			return "", err
		}
		s.metrics.lists.Inc()
		return s.pages.part("list", s.listView(ctx, unit, when, list, sees))
	}
	var list *keptList
	var err error
	if when.live {
		list, err = s.liveList(c.Request.Context(), unit, when.at, sees, compute)
	} else if body, e := compute(c.Request.Context()); e != nil {
		err = e
	} else {
		list = newKeptList(body)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	f := s.frame(c, unit+" ranked list").at(unitURL(unit))
	if when.live {
		f = f.live(when.at)
		f.Refresh = true
		f.Owed = s.owedLine(c.Request.Context(), account, unit)
	}
	p, err := list.within(s.pages, f)
	if err != nil {
		s.fail(c, err)
		return
	}
	s.sendPage(c, http.StatusOK, p)
}

// sight is what of a list depends on who looks at it.
type sight struct{ names, feeds bool }

func (s sight) String() string {
	return strconv.FormatBool(s.names) + " " + strconv.FormatBool(s.feeds)
}

// liveList takes the list of a minute from those kept, unless facts or another
// policy have come in since it was made.
func (s *server) liveList(ctx context.Context, unit string, minute time.Time, sees sight, compute func(context.Context) (template.HTML, error)) (*keptList, error) {
	data := ""
	if s.DataState != nil {
		var err error
		if data, err = s.DataState(ctx); err != nil {
			return nil, err
		}
	}
	data += " " + policy.For(ctx, s.Deps.Policy).Hash
	return s.lists.get(ctx, listKey{unit, sees}, minute, data, compute)
}

func (s *server) listView(ctx context.Context, unit string, when asked, list []alerts.Assessment, sees sight) listView {
	t := times{s.Board.Catalogue(when.at), when.live}
	v := listView{
		Unit: unit, Moment: t.plain(when.at), AsOf: !when.live,
		Self: unitURL(unit), Patients: text.Plural(len(list), "patient", "patients"), Empty: len(list) == 0, Feed: s.feedLine(ctx),
	}
	v.Feed.Linked = sees.feeds
	query := asOfQuery(when.at)
	if when.live {
		query = ""
	}
	for _, tier := range alerts.Tiers {
		tv := tierView{Tier: tier, Name: text.TierNames[tier], Intro: text.TierIntros[tier]}
		for _, a := range list {
			if a.Tier == tier {
				tv.Rows = append(tv.Rows, s.row(t, a, query, sees))
			}
		}
		v.Tiers = append(v.Tiers, tv)
	}
	for _, a := range list {
		if a.Review.Needed {
			v.Flags++
		}
	}
	return v
}

func (s *server) row(t times, a alerts.Assessment, query string, sees sight) rowView {
	d := a.Digest
	r := rowView{
		Rank: a.Rank, Bed: d.Stay.Bed,
		Recheck: s.recheckView(t, a.Recheck), Precautions: precautionsOf(a.Precautions), Trend: trendOf(d.Serial),
	}
	if sees.names {
		r.Name, r.PatientID, r.Age, r.URL = d.Stay.Name, d.Stay.PatientID, s.age(d.Stay, t), stayURL(d.StayID)+query
	}
	for n, reason := range a.Reasons {
		if n == 0 {
			r.Lead = &reasonView{t.Reason(reason), s.rule(reason.Rule)}
		} else {
			r.Others = append(r.Others, reasonView{t.Brief(reason), s.rule(reason.Rule)})
		}
	}
	if a.Review.Needed {
		for _, f := range a.Review.Flags {
			if f.Rule != alerts.DFrid {
				r.Review = append(r.Review, f.Drugs...)
				r.ReviewRules = append(r.ReviewRules, s.rule(f.Rule))
			}
		}
		r.Review = trends.Distinct(r.Review)
	}
	if set := d.LatestSet(); set != nil {
		r.Set = lineOf(t, *set)
	}
	for _, ch := range d.Changes {
		if ch.Lowering {
			r.Change = text.Change(ch) + ", " + t.Time(ch.At)
		}
	}
	return r
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
