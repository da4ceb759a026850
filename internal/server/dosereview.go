package server

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/policy"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// DoseReviews keeps what is recorded of the doses of stays.
type DoseReviews interface {
	// Add adds a review after the stay's one with number after (0: the first one). The
	// error carries clinical.Conflict where that is not the last one any more.
	Add(ctx context.Context, r dosereview.Review, after int64) (dosereview.Review, error)
	// OfStays lists the reviews of stays that were recorded by a moment, each stay's
	// first one first.
	OfStays(ctx context.Context, stayIDs []string, by time.Time) (map[string][]dosereview.Review, error)
}

const queueURL = "/dose-review"

func reviewURL(stay string) string { return queueURL + "/" + segment(stay) }

// recordedBy is the moment by which reviews count: a live page is made for its
// minute, and shows the review that was recorded within it.
func (s *server) recordedBy(when asked) time.Time {
	if when.live {
		return s.Clock()
	}
	return when.at
}

// day is the day of a moment at the site, as reviews have it.
func (s *server) day(at time.Time) string { return at.In(s.Zone).Format(time.DateOnly) }

// queueFilter is what of the queue is asked for.
type queueFilter struct {
	Unit    string // "": every unit of the account
	Drug    string // what was typed, see dosereview.Matches; "": any
	Dropped bool   // a positive set came in the hours after a start, raise or resumption
}

func filterOf(c *gin.Context) queueFilter {
	return queueFilter{Unit: c.Query("unit"), Drug: strings.TrimSpace(c.Query("drug")), Dropped: c.Query("dropped") != ""}
}

// url is the address of a page of the queue under the filter.
func (f queueFilter) url(path string, when asked, more ...string) string {
	q := url.Values{}
	if f.Unit != "" {
		q.Set("unit", f.Unit)
	}
	if f.Drug != "" {
		q.Set("drug", f.Drug)
	}
	if f.Dropped {
		q.Set("dropped", "1")
	}
	if !when.live {
		q.Set("as_of", when.at.UTC().Format(time.RFC3339))
	}
	for n := 0; n+1 < len(more); n += 2 {
		q.Set(more[n], more[n+1])
	}
	if len(q) == 0 {
		return path
	}
	return path + "?" + q.Encode()
}

// queued is a stay of the queue.
type queued struct {
	alerts.Assessment
	dosereview.Standing
	Last  *dosereview.Review // nil: never reviewed
	Drops []alerts.DropAfter // by the drugs of the filter
}

// queue is the answer to one request for the queue.
type queue struct {
	when   asked
	filter queueFilter
	units  []string // of the account
	all    []queued // in list order, by the unit alone
	shown  []queued // by the whole filter
}

// queueOf works out the queue that a request asks for. It answers itself and returns
// false where there is none.
func (s *server) queueOf(c *gin.Context) (queue, bool) {
	when, ok := s.asOf(c)
	if !ok {
		return queue{}, false
	}
	q := queue{when: when, filter: filterOf(c)}
	ctx := c.Request.Context()
	units, err := s.unitsFor(ctx, accountOf(c))
	if err != nil {
		s.fail(c, err)
		return q, false
	}
	q.units = units
	if q.filter.Unit != "" {
		if !slices.Contains(units, q.filter.Unit) {
			if s.note(c, audit.Entry{Did: audit.View, Unit: q.filter.Unit, Outcome: refused, Note: "dose review queue"}) {
				s.notFound(c)
			}
			return q, false
		}
		units = []string{q.filter.Unit}
	}
	for _, unit := range units { // what cannot be recorded is not shown
		e := audit.Entry{Did: audit.View, Unit: unit, Outcome: allowed, Note: "dose review queue"}
		if !when.live {
			e.AsOf = when.at
		}
		if !s.note(c, e) {
			return q, false
		}
	}
	list, err := s.listOf(ctx, units, when)
	if err == nil {
		q.all, err = s.standings(ctx, list, q.filter, when)
	}
	if err != nil {
		s.fail(c, err)
		return q, false
	}
	for _, e := range q.all {
		if q.filter.shows(e) {
			q.shown = append(q.shown, e)
		}
	}
	return q, true
}

// listOf ranks the patients of several units as one list.
func (s *server) listOf(ctx context.Context, units []string, when asked) ([]alerts.Assessment, error) {
	ask := s.Board.List
	if when.live {
		ask = s.Board.Live
	}
	var all []alerts.Assessment
	for _, unit := range units {
		list, err := ask(ctx, unit, when.at)
		if err != nil {
			return nil, err
		}
		all = append(all, list...)
	}
	alerts.Rank(all)
	return all, nil
}

// standings are the stays with a flag.
func (s *server) standings(ctx context.Context, list []alerts.Assessment, f queueFilter, when asked) ([]queued, error) {
	ids := make([]string, len(list))
	for n, a := range list {
		ids[n] = a.Digest.StayID
	}
	reviews, err := s.reviewsOf(ctx, ids, when)
	if err != nil {
		return nil, err
	}
	var out []queued
	for _, a := range list {
		e := queued{Assessment: a, Last: lastReview(reviews[a.Digest.StayID])}
		var flagged bool
		if e.Standing, flagged = dosereview.StandingOf(a, e.Last, s.day(when.at)); !flagged {
			continue
		}
		e.Drops = s.dropsOf(ctx, a, f)
		out = append(out, e)
	}
	return out, nil
}

func (s *server) reviewsOf(ctx context.Context, ids []string, when asked) (map[string][]dosereview.Review, error) {
	if s.DoseReviews == nil {
		return nil, nil
	}
	return s.DoseReviews.OfStays(ctx, ids, s.recordedBy(when))
}

func lastReview(list []dosereview.Review) *dosereview.Review {
	if len(list) == 0 {
		return nil
	}
	return &list[len(list)-1]
}

// dropsOf are the positive sets after a raise of a drug that the filter means; of any
// blood-pressure-lowering drug where it means none.
func (s *server) dropsOf(ctx context.Context, a alerts.Assessment, f queueFilter) []alerts.DropAfter {
	meant := map[string]bool{}
	for _, d := range a.Exposures.Active {
		meant[d.Name] = dosereview.Matches(d.Substance, f.Drug)
	}
	return alerts.DropsAfter(a.Digest, s.reviewPolicy(ctx), func(c trends.Change) bool {
		if f.Drug == "" {
			return c.Lowering
		}
		return meant[c.Drug]
	})
}

func (f queueFilter) shows(e queued) bool {
	on := f.Drug == "" || slices.ContainsFunc(e.Exposures.Active, func(d trends.ActiveDrug) bool {
		return ofReview(d.Substance) && dosereview.Matches(d.Substance, f.Drug)
	})
	return on && (!f.Dropped || len(e.Drops) > 0)
}

// ofReview reports whether a drug belongs into a dose review.
func ofReview(d trends.Substance) bool { return d.Lowering() || d.Contributing() || d.Pressor() }

// queueView is the queue.
type queueView struct {
	frame
	Moment        *moment
	AsOf          bool
	AsOfValue     string // kept by the form; "" on a live page
	Self          string
	Count         string
	Filter        queueFilter
	Filtered      bool
	Units         []string
	Chips         []chip
	Dropped       chip
	Names         []string // that can be typed
	Clear         string
	Places        []placeView
	Nobody        bool // no flag stands on any stay of the account's units
	XLSX          string
	CSV           []link
	NoDoseAdvised string
}

// chip is a filter that one click sets or takes away.
type chip struct {
	Name  string
	Count int
	URL   string
	On    bool
}

type placeView struct {
	ID, Name, Intro string
	Rows            []queueRow
}

// Size is the number of stays of the place.
func (p placeView) Size() int { return len(p.Rows) }

type queueRow struct {
	URL                             string
	Stay                            string // as an id of the page: without spaces
	Bed, Name, PatientID, Age, Unit string
	Tier, TierName                  string
	Set                             *setLine
	Last                            []string // last doses before the latest set
	Drops                           []string
	Drugs                           []drugRow
	Others                          string // contributing and pressor drugs
	Load                            string
	LeftOut, Unrecognised           string // what the load and the flags do not know of
	Flags                           []reasonView
	Reviewed                        string
	Due                             bool
	News                            []string
}

func (s *server) queuePage(c *gin.Context) {
	q, ok := s.queueOf(c)
	if !ok {
		return
	}
	f := s.frame(c, text.Say("dosereview.heading")).at(queueURL)
	if q.when.live {
		f = f.live(q.when.at)
	}
	s.show(c, http.StatusOK, "dosereview", s.queueView(c.Request.Context(), f, q))
}

func (s *server) queueView(ctx context.Context, f frame, q queue) queueView {
	t := times{s.Board.Catalogue(q.when.at), q.when.live}
	v := queueView{
		frame: f, Moment: t.plain(q.when.at), AsOf: !q.when.live, Self: queueURL, Filter: q.filter,
		Filtered: q.filter != queueFilter{}, Units: q.units, Clear: queueFilter{}.url(queueURL, q.when),
		Count: text.Say("dosereview.count", len(q.shown), len(q.all)), Nobody: len(q.all) == 0 && q.filter == queueFilter{},
		XLSX: q.filter.url(queueURL+".xlsx", q.when), NoDoseAdvised: text.NoDoseAdvised,
	}
	if !q.when.live {
		v.AsOfValue = q.when.at.UTC().Format(time.RFC3339)
	}
	for _, table := range exportTables {
		v.CSV = append(v.CSV, link{Name: exportName(table), URL: q.filter.url(queueURL+".csv", q.when, "table", table)})
	}
	v.Chips, v.Dropped, v.Names = s.chips(ctx, q)
	for _, place := range dosereview.Places {
		p := placeView{ID: string(place), Name: placeName(place), Intro: placeIntro(place)}
		for _, e := range q.shown {
			if e.Place == place {
				p.Rows = append(p.Rows, s.queueRow(t, e))
			}
		}
		v.Places = append(v.Places, p)
	}
	return v
}

func placeName(p dosereview.Place) string {
	switch p {
	case dosereview.ToReview:
		return text.Say("dosereview.to-review")
	case dosereview.Reviewed:
		return text.Say("dosereview.reviewed")
	}
	return text.Say("dosereview.flagged")
}

func placeIntro(p dosereview.Place) string {
	switch p {
	case dosereview.ToReview:
		return text.Say("dosereview.to-review-intro")
	case dosereview.Reviewed:
		return text.Say("dosereview.reviewed-intro")
	}
	return text.Say("dosereview.flagged-intro")
}

// chips are the drug groups that are active on the stays of the queue, with the
// number of stays that each shows; and the one of drops after a change.
func (s *server) chips(ctx context.Context, q queue) (groups []chip, dropped chip, names []string) {
	offered := []string{text.Say("dosereview.contributing"), text.Say("dosereview.pressor")}
	values := map[string]string{offered[0]: "contributing", offered[1]: "pressor"}
	var all []string
	for _, g := range clinical.Groups {
		all = append(all, string(g))
	}
	for _, name := range append(all, offered...) {
		f := q.filter
		if f.Drug = name; values[name] != "" {
			f.Drug = values[name]
		}
		f.Dropped = false
		ch := chip{Name: name, On: dosereview.Same(q.filter.Drug, f.Drug)}
		for _, e := range q.all {
			if f.shows(e) {
				ch.Count++
			}
		}
		if f.Dropped = q.filter.Dropped; ch.On {
			f.Drug = ""
		}
		ch.URL = f.url(queueURL, q.when)
		if ch.Count > 0 || ch.On {
			groups = append(groups, ch)
		}
	}
	f := q.filter
	f.Dropped = true
	dropped = chip{Name: text.Say("dosereview.dropped", text.Figure(s.reviewPolicy(ctx).RecentHours)), On: q.filter.Dropped}
	for _, e := range q.all {
		if f.shows(e) {
			dropped.Count++
		}
	}
	f.Dropped = !q.filter.Dropped
	dropped.URL = f.url(queueURL, q.when)
	for _, e := range q.all {
		for _, d := range e.Exposures.Active {
			if ofReview(d.Substance) {
				names = append(names, d.Name)
				if g := d.Group(); g != clinical.NoGroup {
					names = append(names, string(g))
				}
			}
		}
	}
	slices.Sort(names)
	return groups, dropped, slices.Compact(names)
}

func (s *server) queueRow(t times, e queued) queueRow {
	d := e.Digest
	r := queueRow{
		URL: reviewURL(d.StayID), Stay: segment(d.StayID), Bed: d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID,
		Age: s.age(d.Stay, t), Unit: d.Stay.Unit, Tier: e.Tier, TierName: text.TierNames[e.Tier], Load: text.Load(e.Exposures),
		LeftOut: text.List(e.Exposures.LoadLeftOut), Unrecognised: text.List(d.Unrecognised),
		Reviewed: reviewedLine(t, e.Last), Due: e.Due, News: t.ReviewNews(e.News),
	}
	if !t.live {
		r.URL += asOfQuery(t.At)
	}
	if set := d.LatestSet(); set != nil {
		r.Set = lineOf(t, *set)
		r.Last = s.lastDoses(d, *set)
	}
	var others []string
	for _, dose := range trends.DrugDosesAt(d, e.Exposures, e.At) {
		switch {
		case dose.Lowering():
			r.Drugs = append(r.Drugs, s.drugRow(t, dose, d, nil, nil, nil))
		case ofReview(dose.Substance):
			others = append(others, dose.Name)
		}
	}
	r.Others = text.List(others)
	for _, drop := range e.Drops {
		r.Drops = append(r.Drops, t.DroppedAfter(drop))
	}
	for _, f := range e.Review.Flags {
		r.Flags = append(r.Flags, reasonView{t.FlagWith(f, e.Exposures.Contributors), s.rule(f.Rule)})
	}
	return r
}

// lastDoses are the last doses before the latest set (E-LAST).
func (s *server) lastDoses(d trends.Digest, set trends.Set) []string {
	var out []string
	for _, l := range d.LastDoses {
		out = append(out, l.Drug+" "+text.Span(set.StartedAt.Sub(l.GivenAt)))
	}
	return out
}

// reviewedLine says what the last review was; "" where there is none.
func reviewedLine(t times, r *dosereview.Review) string {
	if r == nil {
		return ""
	}
	return text.Say("dosereview.last-line", t.Time(r.At), r.Who, text.ReviewOutcomes[r.Outcome], text.Day(r.LookAgain))
}

// drugRow is one drug with its doses.
type drugRow struct {
	Name, Class string
	Ordered     []string
	Given       string
	Last        *moment
	LastDose    string
	Before      string // from the last dose to the set that the hours count to
	Changes     []string
	Facts       string
}

// drugRow writes one drug. last are the last given doses by now, before those before
// a set; both may be nil, where only orders and sums are shown.
func (s *server) drugRow(t times, dose trends.DrugDose, d trends.Digest, last, before []trends.Given, set *trends.Set) drugRow {
	r := drugRow{Name: dose.Name, Class: text.DrugClass(dose.Substance), Given: text.GivenDoses(dose), Facts: strings.Join(dose.Facts, ", ")}
	for _, o := range dose.Ordered {
		r.Ordered = append(r.Ordered, text.OrderedDose(o))
	}
	if g := givenOf(last, dose.Name); g != nil {
		r.Last, r.LastDose = t.ago(g.At), text.GivenDose(*g)
	}
	if g := givenOf(before, dose.Name); g != nil && set != nil {
		r.Before = text.Span(set.StartedAt.Sub(g.At))
	}
	for _, c := range d.Changes {
		if c.Drug == dose.Name {
			r.Changes = append(r.Changes, strings.TrimPrefix(text.Change(c), c.Drug+" ")+", "+t.Time(c.At))
		}
	}
	return r
}

func givenOf(list []trends.Given, drug string) *trends.Given {
	for n := range list {
		if list[n].Name == drug {
			return &list[n]
		}
	}
	return nil
}

// reviewView is one stay for the pharmacist.
type reviewView struct {
	frame
	Moment  *moment
	AsOf    bool
	Self    string
	Queue   string
	Unit    link
	StayURL string

	Bed, Name, PatientID, Sex, Age, StayID string
	Tier, TierName                         string
	Place                                  string // why the stay stands where it does
	Reviewed                               string
	Due                                    bool
	News                                   []string
	Recorded                               bool
	Flags                                  []flagView
	Latest                                 *setLine
	Focus                                  *setLine // the latest positive set, where it is another one
	Counts, Clearing                       string
	Trend                                  trendView
	P                                      string
	To                                     string // what the hours before count to
	Drugs                                  []drugRow
	Load                                   string
	Groups                                 []labelled
	LeftOut                                string
	Unrecognised                           string
	Others                                 string
	Around                                 string // head of the column of shifts
	Changes                                []reviewChange
	Drops                                  []string
	Fluids                                 []labelled
	Weight                                 string
	Causes                                 []causeView
	Form                                   *reviewForm
	Reviews                                []reviewLine
	NoDoseAdvised                          string
}

type flagView struct {
	Text  string
	Rule  ruleLink
	Count string // of the facts
	Facts string
}

// reviewChange is a change with the sets on both sides of it.
type reviewChange struct {
	At            *moment
	Drug, Change  string
	From, To      string // ordered daily doses
	Before, After string // sets
	BeforeAt      string
	AfterAt       string
	Around        string // shift of the drop; "" for a drug that does not lower the pressure
	Facts         string
}

// reviewForm is the form of a review, with what was typed.
type reviewForm struct {
	Action   string
	After    int64
	Seen     string
	Note     string
	Day      string
	First    string // the first and the last day that can be chosen
	Last     string
	MaxNote  int
	Outcomes []optionView
	Wrong    []problemView
	OfField  map[string]string
	Moved    string // what has come in since the form was opened
}

// reviewLine is a review as the history tells it.
type reviewLine struct {
	At        *moment
	Who       string
	Outcome   string
	Note      string
	LookAgain string
	Stood     string // the rules of the flags that stood
}

func (s *server) reviewPage(c *gin.Context) {
	s.showReview(c, http.StatusOK, nil, nil, "")
}

// showReview shows one stay, with what was typed into its form.
func (s *server) showReview(c *gin.Context, status int, typed *dosereview.Draft, wrong []dosereview.Problem, moved string) {
	seen := stayOf(c)
	d := seen.view.Assessment.Digest
	reviews, err := s.reviewsOf(c.Request.Context(), []string{d.StayID}, seen.when)
	if err != nil {
		s.fail(c, err)
		return
	}
	title := text.Say("dosereview.title-stay", cmp.Or(d.Stay.Bed, d.StayID))
	v := s.reviewView(s.frame(c, title), seen, reviews[d.StayID])
	v.Recorded = typed == nil && c.Query("recorded") != ""
	if seen.when.live {
		v.Form = s.reviewForm(seen, lastReview(reviews[d.StayID]), typed, wrong)
		v.Form.Moved = moved
	}
	s.show(c, status, "dosereviewstay", v)
}

func (s *server) reviewView(f frame, seen seenStay, reviews []dosereview.Review) reviewView {
	a, when := seen.view.Assessment, seen.when
	d := a.Digest
	t := times{s.Board.Catalogue(when.at), when.live}
	query := asOfQuery(when.at)
	if when.live {
		f, query = f.live(when.at), ""
	}
	last := lastReview(reviews)
	standing, flagged := dosereview.StandingOf(a, last, s.day(when.at))
	v := reviewView{
		frame: f.at(queueURL), Moment: t.plain(when.at), AsOf: !when.live, Self: reviewURL(d.StayID), Queue: queueURL + query,
		Unit: link{Name: d.Stay.Unit, URL: unitURL(d.Stay.Unit) + query}, StayURL: stayURL(d.StayID) + query,
		Bed: d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID, Sex: d.Stay.Sex, Age: s.age(d.Stay, t), StayID: d.StayID,
		Tier: a.Tier, TierName: text.TierNames[a.Tier], Place: placeIntro(standing.Place),
		Reviewed: reviewedLine(t, last), Due: standing.Due, News: t.ReviewNews(standing.News),
		Counts: text.Counts(d.Serial), Clearing: t.Clearing(d.Serial, seen.view.Policy.Policy), Trend: trendOf(d.Serial),
		Load: text.Load(a.Exposures), LeftOut: text.List(a.Exposures.LoadLeftOut), Unrecognised: text.List(d.Unrecognised),
		Fluids: []labelled{
			{text.Say("dosereview.net-24"), text.Balance(a.Exposures.Net24)}, {text.Say("dosereview.net-48"), text.Balance(a.Exposures.Net48)},
		},
		Around: text.Say("dosereview.col-around", text.Figure(seen.view.Policy.Policy.Serial.AroundDays)),
		Weight: t.WeightChange(d.Weight), Reviews: s.reviewLines(t, reviews), NoDoseAdvised: text.NoDoseAdvised,
	}
	if !flagged {
		v.Place = text.Say("dosereview.no-flag")
	}
	if d.Serial.P != nil && d.Serial.Trend != trends.TooFew {
		v.P = text.P(*d.Serial.P)
	}
	for _, flag := range a.Review.Flags {
		v.Flags = append(v.Flags, flagView{
			t.FlagWith(flag, a.Exposures.Contributors), s.rule(flag.Rule), text.Plural(len(flag.Facts), text.Say("dosereview.fact"), text.Say("dosereview.facts")),
			strings.Join(flag.Facts, ", "),
		})
	}
	for _, cause := range a.Exposures.Contributors {
		v.Causes = append(v.Causes, causeView{text.ContributorNames[cause.Kind], text.Evidence(cause), strings.Join(cause.Facts, ", ")})
	}
	for _, drop := range alerts.DropsAfter(d, seen.view.Policy.Policy.DoseReview, func(trends.Change) bool { return true }) {
		v.Drops = append(v.Drops, t.DroppedAfter(drop))
	}
	for _, g := range clinical.Groups {
		if ddd, ok := a.Exposures.LoadByGroup[string(g)]; ok {
			v.Groups = append(v.Groups, labelled{string(g), text.Figure2(ddd) + " DDD"})
		}
	}
	v.takeSets(t, d)
	v.takeDrugs(s, t, seen)
	v.takeChanges(t, d)
	return v
}

// takeSets shows the latest set, and the latest positive one where it is another.
func (v *reviewView) takeSets(t times, d trends.Digest) {
	latest := d.LatestSet()
	if latest == nil {
		return
	}
	v.Latest = lineOf(t, *latest)
	if p := d.LatestPositive(); p != nil && !p.StartedAt.Equal(latest.StartedAt) {
		v.Focus = lineOf(t, *p)
	}
}

func (v *reviewView) takeDrugs(s *server, t times, seen seenStay) {
	a := seen.view.Assessment
	set := a.Digest.LatestPositive()
	positive := set != nil
	if !positive {
		set = a.Digest.LatestSet()
	}
	last := trends.LastGivenBy(seen.view.Chart, a.At)
	var before []trends.Given
	switch {
	case set == nil:
		v.To = text.Say("dosereview.before-none")
	case positive:
		v.To = text.Say("dosereview.before-positive", t.Time(set.StartedAt))
	default:
		v.To = text.Say("dosereview.before-latest", t.Time(set.StartedAt))
	}
	if set != nil {
		before = trends.LastGivenBy(seen.view.Chart, set.StartedAt)
	}
	doses := trends.DrugDosesAt(a.Digest, a.Exposures, a.At)
	for _, class := range []func(trends.DrugDose) bool{
		func(d trends.DrugDose) bool { return d.Lowering() },
		func(d trends.DrugDose) bool { return d.Pressor() && !d.Lowering() },
		func(d trends.DrugDose) bool { return d.Contributing() && !d.Lowering() && !d.Pressor() },
	} {
		for _, dose := range doses {
			if class(dose) {
				v.Drugs = append(v.Drugs, s.drugRow(t, dose, a.Digest, last, before, set))
			}
		}
	}
	if others := len(doses) - len(v.Drugs); others > 0 {
		v.Others = text.Say("dosereview.others", text.Plural(others, text.Say("dosereview.drug-one"), text.Say("dosereview.drug-many")))
	}
}

// takeChanges tells the changes, the latest first, with the sets beside each.
func (v *reviewView) takeChanges(t times, d trends.Digest) {
	for _, c := range slices.Backward(d.Changes) {
		r := reviewChange{
			At: t.ago(c.At), Drug: c.Drug, Change: c.Change, From: text.Daily(c.From, c.Unit), To: text.Daily(c.To, c.Unit),
			Facts: strings.Join(c.Orders, ", "),
		}
		if c.Route != "" && c.Route != string(clinical.Oral) {
			r.Change += " (" + c.Route + ")"
		}
		before, after := d.SetsBeside(c.At)
		if before != nil {
			r.BeforeAt, r.Before = text.Say("dosereview.set-before", text.Span(c.At.Sub(before.StartedAt))), text.SetLine(*before)
		}
		if after != nil {
			r.AfterAt, r.After = text.Say("dosereview.set-after", text.Span(after.StartedAt.Sub(c.At))), text.SetLine(*after)
		}
		for _, around := range d.Serial.Around {
			if around.Drug == c.Drug && around.Change == c.Change && around.At.Equal(c.At) {
				r.Around = text.Around(around)
			}
		}
		v.Changes = append(v.Changes, r)
	}
}

// reviewLines tells the reviews of a stay, the latest first.
func (s *server) reviewLines(t times, reviews []dosereview.Review) []reviewLine {
	var out []reviewLine
	for _, r := range slices.Backward(reviews) {
		var rules []string
		for _, f := range r.Evidence.Flags {
			rules = append(rules, f.Rule)
		}
		out = append(out, reviewLine{t.ago(r.At), r.Who, text.ReviewOutcomes[r.Outcome], r.Note, text.Day(r.LookAgain), strings.Join(rules, ", ")})
	}
	return out
}

// takeReviews puts the history of dose reviews on the page of a stay. It answers
// itself and returns false where that cannot be read.
func (s *server) takeReviews(c *gin.Context, v *stayView, when asked) bool {
	reviews, err := s.reviewsOf(c.Request.Context(), []string{v.StayID}, when)
	if err != nil {
		s.fail(c, err)
		return false
	}
	v.DoseReviews = s.reviewLines(times{s.Board.Catalogue(when.at), when.live}, reviews[v.StayID])
	if accountOf(c).May(auth.ReviewDoses) {
		v.ReviewURL = reviewURL(v.StayID)
		if !when.live {
			v.ReviewURL += asOfQuery(when.at)
		}
	}
	return true
}

func (s *server) reviewForm(seen seenStay, last *dosereview.Review, typed *dosereview.Draft, wrong []dosereview.Problem) *reviewForm {
	today := seen.when.at.In(s.Zone)
	f := &reviewForm{
		Action: reviewURL(seen.view.Assessment.Digest.StayID), Seen: dosereview.EvidenceOf(seen.view.Assessment).Mark(),
		First: today.AddDate(0, 0, 1).Format(time.DateOnly), Last: today.AddDate(0, 0, dosereview.MaxDays).Format(time.DateOnly),
		MaxNote: dosereview.MaxNote, OfField: map[string]string{"outcome": "", "note": "", "look_again_on": ""},
	}
	if last != nil {
		f.After = last.Number
	}
	chosen := dosereview.Outcome("")
	if typed != nil {
		chosen, f.Note, f.Day = typed.Outcome, typed.Note, typed.LookAgain
	}
	for _, o := range dosereview.Outcomes {
		f.Outcomes = append(f.Outcomes, optionView{ID: "outcome-" + string(o), Value: string(o), On: o == chosen})
	}
	for _, problem := range wrong {
		v := reviewProblem(problem)
		f.Wrong = append(f.Wrong, v)
		f.OfField[v.Where] = v.Says
	}
	return f
}

// Says is the outcome of an option in words.
func (f *reviewForm) Says(value string) string { return text.ReviewOutcomes[dosereview.Outcome(value)] }

func reviewProblem(p dosereview.Problem) problemView {
	switch p {
	case dosereview.NoOutcome:
		return problemView{Where: "outcome", ID: "outcome-no_change", Says: text.Say("dosereview.no-outcome")}
	case dosereview.NoteMissing:
		return problemView{Where: "note", ID: "note", Says: text.Say("dosereview.note-missing")}
	case dosereview.NoteLong:
		return problemView{Where: "note", ID: "note", Says: text.Say("dosereview.note-long", dosereview.MaxNote)}
	case dosereview.DayPast:
		return problemView{Where: "look_again_on", ID: "look-again-on", Says: text.Say("dosereview.day-past")}
	case dosereview.DayFar:
		return problemView{Where: "look_again_on", ID: "look-again-on", Says: text.Say("dosereview.day-far", dosereview.MaxDays)}
	}
	return problemView{Where: "look_again_on", ID: "look-again-on", Says: text.Say("dosereview.no-day")}
}

// reviewPolicy is the part of the policy of a request that dose reviews go by.
func (s *server) reviewPolicy(ctx context.Context) clinical.ReviewPolicy {
	return policy.For(ctx, s.Deps.Policy).Policy.DoseReview
}
