package doses

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// DoseReviews keeps what is recorded of the doses of stays.
type DoseReviews interface {
	// AddDoseReview adds a review after the stay's one with number after (0: the first one). The
	// error carries clinical.Conflict where that is not the last one any more.
	AddDoseReview(ctx context.Context, r records.DoseReview, after int64) (records.DoseReview, error)
	// DoseReviewsOf lists the reviews of stays that were recorded by a moment, each stay's
	// first one first.
	DoseReviewsOf(ctx context.Context, stayIDs []string, by time.Time) (map[string][]records.DoseReview, error)
	// AddReviewStep adds what was said of a review: clinical.NotFound where there is no such
	// review, clinical.Conflict where it was taken back.
	AddReviewStep(ctx context.Context, step records.ReviewStep) (records.ReviewStep, error)
	// SuggestionsMade lists the reviews with suggestions on stays of some units in [from, to), the
	// latest first and at most so many, and how many more there are.
	SuggestionsMade(ctx context.Context, units []string, from, to time.Time, most int) ([]records.DoseReview, int, error)
}

// day is the day of a moment at the site, as reviews have it.
func (s *service) day(at time.Time) string { return at.In(s.Zone).Format(time.DateOnly) }

// queueFilter is what of the queue is asked for.
type queueFilter struct {
	Unit    string   // "": every unit of the account
	Drug    string   // what was typed, see dosereview.Matches; "": any
	Dropped bool     // a positive set came in the hours after a start, raise or resumption
	Unknown bool     // flagged for drugs that are not recognised (D-UNKNOWN)
	left    []string // as "flag=bogus": what is asked for and not known
	asked   asked    // the chosen answers of each question; the answers of one add up
}

// asked are the chosen answers of each question of the queue, by its parameter.
type asked map[string][]string

// Parameters of the questions, and the answers that are no name of a group.
const (
	flagParam    = "flag"
	groupParam   = "group"
	contributing = "contributing"
	pressor      = "pressor"
)

var questions = []string{flagParam, groupParam}

// offered are the answers that a question may have, in the order of the page.
func offered(question string) []string {
	var out []string
	if question == flagParam {
		for _, rule := range alerts.FlagRules {
			out = append(out, rule.ID)
		}
		return out
	}
	for _, g := range clinical.Groups {
		out = append(out, string(g))
	}
	return append(out, clinical.Anticoagulant, clinical.Antiplatelet, clinical.Thrombolytic, contributing, pressor)
}

// answerWord is an answer in words.
func answerWord(question, answer string) string {
	switch {
	case question == flagParam:
		return text.FlagNames[answer]
	case answer == contributing:
		return text.Say("dosereview.contributing")
	case answer == pressor:
		return text.Say("dosereview.pressor")
	}
	return text.Word(answer)
}

// asks reports whether an answer of a question is chosen.
func (f queueFilter) asks(question, answer string) bool {
	return slices.Contains(f.asked[question], answer)
}

// with is the filter with an answer more, or without it where it was chosen.
func (f queueFilter) with(question, answer string) queueFilter {
	all := asked{}
	for q, a := range f.asked {
		all[q] = slices.Clone(a)
	}
	if n := slices.Index(all[question], answer); n >= 0 {
		all[question] = slices.Delete(all[question], n, n+1)
	} else {
		all[question] = append(all[question], answer)
	}
	f.asked = all
	return f
}

// answers reports whether a stay gives an answer to a question.
func (e queued) answers(question, answer string) bool {
	if question == flagParam {
		return slices.ContainsFunc(e.Review.Flags, func(f alerts.Flag) bool { return f.Rule == answer })
	}
	return slices.ContainsFunc(e.Exposures.Active, func(d trends.ActiveDrug) bool { return inGroup(d.Substance, answer) })
}

func inGroup(s trends.Substance, group string) bool {
	switch group {
	case contributing:
		return s.Contributing()
	case pressor:
		return s.Pressor()
	}
	return string(s.Group()) == group || clinical.Antithrombotic(s.ATC) == group
}

// said are the chosen answers of a question in words.
func (f queueFilter) said(question string) []string {
	var out []string
	for _, a := range f.asked[question] {
		out = append(out, answerWord(question, a))
	}
	return out
}

// narrowed says what the filter leaves; nil for the whole queue.
func (f queueFilter) narrowed(hours float64) []string {
	var out []string
	add := func(on bool, says string) {
		if on {
			out = append(out, says)
		}
	}
	add(f.Unit != "", text.Say("dosereview.only-unit", f.Unit))
	flags, groups := f.said(flagParam), f.said(groupParam)
	add(len(flags) > 0, text.Say("dosereview.only-flag", text.Or(flags)))
	add(len(groups) > 0, text.Say("dosereview.only-group", text.Or(groups)))
	add(f.Drug != "", text.Say("dosereview.only-drug", f.Drug))
	add(f.Dropped, text.Say("dosereview.dropped", text.Figure(hours)))
	add(f.Unknown, text.Say("dosereview.unknown"))
	return out
}

// unknownAnswers are the answers of a request that no question offers, as they stand in its address.
func unknownAnswers(given url.Values) []string {
	var out []string
	for _, question := range questions {
		for _, answer := range given[question] {
			if len(out) < maxLeft && answer != "" && !slices.Contains(offered(question), answer) {
				out = append(out, question+"="+text.Clip(answer, maxUnknown))
			}
		}
	}
	return out
}

// maxLeft is how many unknown answers are named, with maxUnknown characters of each.
const (
	maxLeft    = 5
	maxUnknown = 40
)

func filterOf(c *frame.Request) queueFilter {
	f := queueFilter{
		Unit: c.Query("unit"), Drug: strings.TrimSpace(c.Query("drug")), Dropped: c.Query("dropped") != "",
		Unknown: c.Query("unknown") != "",
	}
	given := c.Request.URL.Query()
	f.left = unknownAnswers(given)
	for _, question := range questions {
		for _, answer := range offered(question) { // what it does not know is left out
			if slices.Contains(given[question], answer) {
				f = f.with(question, answer)
			}
		}
	}
	return f
}

// url is the address of a page of the queue under the filter.
func (f queueFilter) url(path string, when frame.Asked, more ...string) string {
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
	if f.Unknown {
		q.Set("unknown", "1")
	}
	for question, answers := range f.asked {
		for _, a := range answers {
			q.Add(question, a)
		}
	}
	if !when.Live {
		q.Set("as_of", when.At.UTC().Format(time.RFC3339))
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
	Last  *records.DoseReview // nil: never reviewed
	Drops []alerts.DropAfter  // by the drugs of the filter
}

// queue is the answer to one request for the queue.
type queue struct {
	when   frame.Asked
	filter queueFilter
	units  []string // of the account
	asked  []string // those of them that the filter means
	all    []queued // in list order, by the unit alone
	shown  []queued // by the whole filter
}

// queueOf works out the queue that a request asks for.
func (s *service) queueOf(c *frame.Request) (queue, error) {
	when, err := s.AsOf(c)
	if err != nil {
		return queue{}, err
	}
	q := queue{when: when, filter: filterOf(c)}
	ctx := c.Request.Context()
	units, err := s.UnitsFor(ctx, frame.AccountOf(c))
	if err != nil {
		return q, err
	}
	q.units = units
	if q.filter.Unit != "" {
		if !slices.Contains(units, q.filter.Unit) {
			e := records.AuditEntry{Did: audit.View, Unit: q.filter.Unit, Outcome: frame.Refused, Note: "dose review queue"}
			if err := s.Noted(c, e); err != nil {
				return q, err
			}
			return q, clinical.Errorf(clinical.NotFound, "there is no such unit")
		}
		units = []string{q.filter.Unit}
	}
	for _, unit := range units { // what cannot be recorded is not shown
		e := records.AuditEntry{Did: audit.View, Unit: unit, Outcome: frame.Allowed, Note: "dose review queue"}
		if !when.Live {
			e.AsOf = when.At
		}
		if err := s.Noted(c, e); err != nil {
			return q, err
		}
	}
	q.asked = units
	list, err := s.listOf(ctx, units, when)
	if err == nil {
		q.all, err = s.standings(ctx, list, q.filter, when)
	}
	if err != nil {
		return q, err
	}
	for _, e := range q.all {
		if q.filter.shows(e) {
			q.shown = append(q.shown, e)
		}
	}
	return q, nil
}

// listOf ranks the patients of several units as one list.
func (s *service) listOf(ctx context.Context, units []string, when frame.Asked) ([]alerts.Assessment, error) {
	ask := s.Lists.List
	if when.Live {
		ask = s.Lists.Live
	}
	var all []alerts.Assessment
	for _, unit := range units {
		list, err := ask(ctx, unit, when.At)
		if err != nil {
			return nil, err
		}
		all = append(all, list...)
	}
	alerts.Rank(all)
	return all, nil
}

// standings are the stays with a flag.
func (s *service) standings(
	ctx context.Context, list []alerts.Assessment, f queueFilter, when frame.Asked,
) ([]queued, error) {
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
		e := queued{Assessment: a, Last: records.LastStanding(reviews[a.Digest.StayID])}
		var flagged bool
		if e.Standing, flagged = dosereview.StandingOf(a, e.Last, s.day(when.At)); !flagged {
			continue
		}
		e.Drops = s.dropsOf(ctx, a, f)
		out = append(out, e)
	}
	return out, nil
}

func (s *service) reviewsOf(
	ctx context.Context, ids []string, when frame.Asked,
) (map[string][]records.DoseReview, error) {
	if s.DoseReviews == nil {
		return nil, nil
	}
	return s.DoseReviews.DoseReviewsOf(ctx, ids, s.RecordedBy(when))
}

// dropsOf are the positive sets after a raise of a drug that the filter means; of any
// blood-pressure-lowering drug where it means none.
func (s *service) dropsOf(ctx context.Context, a alerts.Assessment, f queueFilter) []alerts.DropAfter {
	meant := map[string]bool{}
	for _, d := range a.Exposures.Active {
		meant[d.Name] = dosereview.Matches(d.Substance, f.Drug) && f.ofGroups(d.Substance)
	}
	return alerts.DropsAfter(a.Digest, s.reviewPolicy(ctx), func(c trends.Change) bool {
		if f.Drug == "" && len(f.asked[groupParam]) == 0 {
			return c.Lowering
		}
		return meant[c.Drug]
	})
}

// ofGroups reports whether a drug is of the groups that are asked for; with none asked for, it is.
func (f queueFilter) ofGroups(s trends.Substance) bool {
	groups := f.asked[groupParam]
	return len(groups) == 0 || slices.ContainsFunc(groups, func(g string) bool { return inGroup(s, g) })
}

func (f queueFilter) shows(e queued) bool {
	on := f.Drug == "" || slices.ContainsFunc(e.Exposures.Active, func(d trends.ActiveDrug) bool {
		return d.ExposedGroup() != "" && (dosereview.Matches(d.Substance, f.Drug) || dosereview.Names(f.Drug, d.Name))
	}) || slices.ContainsFunc(e.Digest.Unrecognised, func(charted string) bool { return dosereview.InText(charted, f.Drug) })
	for question, wanted := range f.asked {
		if len(wanted) > 0 && !slices.ContainsFunc(wanted, func(a string) bool { return e.answers(question, a) }) {
			return false
		}
	}
	return on && (!f.Dropped || len(e.Drops) > 0) && (!f.Unknown || e.unrecognised())
}

// unrecognised reports whether the stay has a positive set and is flagged for drugs that
// nobody knows.
func (e queued) unrecognised() bool {
	return e.Digest.Serial.Positive > 0 && slices.ContainsFunc(e.Review.Flags, func(f alerts.Flag) bool { return f.Rule == alerts.DUnknown })
}

// ofReview reports whether a drug belongs into a dose review.
func ofReview(d trends.Substance) bool { return d.Lowering() || d.Contributing() || d.Pressor() }

// queueView is the queue.
type queueView struct {
	frame.Layout
	Moment        *frame.Moment
	AsOf          bool
	AsOfValue     string // kept by the form; "" on a live page
	Self          string
	Count         string
	Filter        queueFilter
	Questions     []parts.Question
	LeftAnswers   string       // the answers that are asked for and not known; "" for none
	Narrowed      []string     // what the filter leaves; nil for the whole queue
	Shown         string       // how many are shown and hidden
	Kept          []frame.Link // what is chosen and stands in no field of the form: parameter and answer
	Units         []string
	Names         []string // that can be typed
	Clear         string
	Places        []placeView
	Nobody        bool // no flag stands on any stay of the account's units
	XLSX          string
	CSV           []frame.Link
	NoDoseAdvised string
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
	Set                             *parts.SetLine
	Last                            []string // last doses before the latest set
	Drops                           []string
	Drugs                           []drugRow
	Others                          string // contributing and pressor drugs
	Load                            string
	LeftOut, Unrecognised           string // what the load and the flags do not know of
	Flags                           []parts.ReasonView
	Reviewed                        string
	Answer                          string // to the suggestions of the last review
	Due                             bool
	News                            []string
}

func (s *service) queuePage(c *frame.Request) (frame.Page, error) {
	q, err := s.queueOf(c)
	if err != nil {
		return nil, err
	}
	f := s.LayoutOfUnits(c, text.Say("dosereview.heading"), q.asked, q.when).At(frame.QueueURL)
	if q.when.Live {
		f = f.Live(q.when.At)
	}
	return frame.Show(http.StatusOK, "dosereview", s.queueView(c.Request.Context(), f, q))
}

func (s *service) queueView(ctx context.Context, f frame.Layout, q queue) queueView {
	t := s.Times(q.when.At, q.when.Live)
	v := queueView{
		Layout: f, Moment: t.Moment(q.when.At), AsOf: !q.when.Live, Self: frame.QueueURL, Filter: q.filter,
		Units: q.units, Clear: queueFilter{}.url(frame.QueueURL, q.when), Names: namesOf(q),
		Count: text.Say("dosereview.count", len(q.shown), len(q.all)),
		Shown: text.Say("huddle.shown", len(q.shown), len(q.all), len(q.all)-len(q.shown)),
		XLSX:  q.filter.url(frame.QueueURL+".xlsx", q.when), NoDoseAdvised: text.NoDoseAdvised,
	}
	if !q.when.Live {
		v.AsOfValue = q.when.At.UTC().Format(time.RFC3339)
	}
	for _, table := range exportTables {
		v.CSV = append(
			v.CSV, frame.Link{Name: exportName(table), URL: q.filter.url(frame.QueueURL+".csv", q.when, "table", table)},
		)
	}
	hours := s.reviewPolicy(ctx).RecentHours
	if left := q.filter.left; len(left) > 0 {
		v.LeftAnswers = text.Say("huddle.unknown-filter", strings.Join(left, ", "))
	}
	v.Questions, v.Narrowed = questionsOf(q, hours), q.filter.narrowed(hours)
	v.Nobody = len(q.all) == 0 && len(v.Narrowed) == 0
	for question, answers := range q.filter.asked {
		for _, a := range answers {
			v.Kept = append(v.Kept, frame.Link{Name: question, URL: a})
		}
	}
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

// questionsOf are the questions of the queue. They count the whole queue, whatever is chosen.
func questionsOf(q queue, hours float64) []parts.Question {
	var out []parts.Question
	ask := func(name, question string) {
		v := parts.Question{Name: name}
		for _, answer := range offered(question) {
			n := countOf(q, func(e queued) bool { return e.answers(question, answer) })
			if on := q.filter.asks(question, answer); n > 0 || on {
				v.Answers = append(v.Answers, parts.Answer{
					Name: answerWord(question, answer), Count: strconv.Itoa(n),
					URL: q.filter.with(question, answer).url(frame.QueueURL, q.when), On: on,
				})
			}
		}
		if len(v.Answers) > 0 {
			out = append(out, v)
		}
	}
	ask(text.Say("dosereview.ask-flag"), flagParam)
	ask(text.Say("dosereview.ask-group"), groupParam)
	dropped, unknown := q.filter, q.filter
	dropped.Dropped, unknown.Unknown = !q.filter.Dropped, !q.filter.Unknown
	return append(out, parts.Question{Name: text.Say("dosereview.ask-set"), Answers: []parts.Answer{
		{
			Name: text.Say("dosereview.dropped", text.Figure(hours)), On: q.filter.Dropped,
			Count: strconv.Itoa(countOf(q, func(e queued) bool { return len(e.Drops) > 0 })), URL: dropped.url(frame.QueueURL, q.when),
		},
		{
			Name: text.Say("dosereview.unknown"), On: q.filter.Unknown,
			Count: strconv.Itoa(countOf(q, queued.unrecognised)), URL: unknown.url(frame.QueueURL, q.when),
		},
	}})
}

func countOf(q queue, holds func(queued) bool) int {
	n := 0
	for _, e := range q.all {
		if holds(e) {
			n++
		}
	}
	return n
}

// namesOf are the drugs and groups of the queue, to be offered to who types.
func namesOf(q queue) []string {
	var names []string
	for _, e := range q.all {
		for _, d := range e.Exposures.Active {
			if g := d.ExposedGroup(); g != "" {
				names = append(names, d.Name, g)
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func (s *service) queueRow(t frame.Times, e queued) queueRow {
	d := e.Digest
	r := queueRow{
		URL: frame.ReviewURL(d.StayID), Stay: frame.Segment(d.StayID), Bed: d.Stay.Bed, Name: d.Stay.Name,
		PatientID: d.Stay.PatientID,
		Age:       parts.AgeOf(d.Stay, t), Unit: d.Stay.Unit, Tier: e.Tier, TierName: text.TierNames[e.Tier],
		Load:    text.Load(e.Exposures),
		LeftOut: text.List(e.Exposures.LoadLeftOut), Unrecognised: text.List(d.Unrecognised),
		Reviewed: reviewedLine(t, e.Last), Due: e.Due, News: t.ReviewNews(e.News),
	}
	if e.Last != nil {
		r.Answer = parts.AnswerTo(t, *e.Last)
	}
	if !t.Live {
		r.URL += frame.AsOfQuery(t.At)
	}
	if set := d.LatestSet(); set != nil {
		r.Set = parts.SetLineOf(t, d, *set)
		r.Last = s.lastDoses(d, *set)
	}
	var others []string
	for _, dose := range trends.DrugDosesAt(d, e.Exposures, e.At) {
		switch {
		case dose.Lowering():
			r.Drugs = append(r.Drugs, s.drugRow(t, dose, d, nil, nil, nil))
		case dose.ExposedGroup() != "":
			others = append(others, dose.Name)
		}
	}
	r.Others = text.List(others)
	for _, drop := range e.Drops {
		r.Drops = append(r.Drops, t.DroppedAfter(drop))
	}
	for _, f := range e.Review.Flags {
		r.Flags = append(r.Flags, parts.ReasonView{Text: t.FlagWith(f, e.Exposures.Contributors), Rule: t.Rule(f.Rule)})
	}
	return r
}

// lastDoses are the last doses before the latest set (E-LAST).
func (s *service) lastDoses(d trends.Digest, set trends.Set) []string {
	var out []string
	for _, l := range d.LastDoses {
		out = append(out, l.Drug+" "+text.Span(set.StartedAt.Sub(l.GivenAt)))
	}
	return out
}

// reviewedLine says what the last review was; "" where there is none.
func reviewedLine(t frame.Times, r *records.DoseReview) string {
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
	Last        *frame.Moment
	LastDose    string
	Before      string // from the last dose to the set that the hours count to
	Changes     []string
	Facts       string
}

// drugRow writes one drug. last are the last given doses by now, before those before
// a set; both may be nil, where only orders and sums are shown.
func (s *service) drugRow(
	t frame.Times, dose trends.DrugDose, d trends.Digest, last, before []trends.Given, set *trends.Set,
) drugRow {
	r := drugRow{
		Name: dose.Name, Class: text.DrugClass(dose.Substance), Given: text.GivenDoses(dose),
		Facts: strings.Join(dose.Facts, ", "),
	}
	for _, o := range dose.Ordered {
		r.Ordered = append(r.Ordered, text.OrderedDose(o))
	}
	if g := givenOf(last, dose.Name); g != nil {
		r.Last, r.LastDose = t.MomentAgo(g.At), text.GivenDose(*g)
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

// reviewPolicy is the part of the policy of a request that dose reviews go by.
func (s *service) reviewPolicy(ctx context.Context) clinical.ReviewPolicy {
	return s.PolicyFor(ctx).Policy.DoseReview
}
