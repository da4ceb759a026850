package doses

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/charts"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// reviewView is one stay for the pharmacist.
type reviewView struct {
	frame.Layout
	Moment  *frame.Moment
	AsOf    bool
	Self    string
	Queue   string
	Unit    frame.Link
	StayURL string

	Bed, Name, PatientID, Sex, Age, StayID string
	Tier, TierName                         string
	Place                                  string // why the stay stands where it does
	Reviewed                               string
	Due                                    bool
	News                                   []string
	Recorded                               bool
	Flags                                  []flagView
	Latest                                 *parts.SetLine
	Focus                                  *parts.SetLine // the latest positive set, where it is another one
	Counts, Clearing                       string
	Trend                                  parts.TrendView
	P                                      string
	To                                     string // what the hours before count to
	Drugs                                  []drugRow
	Given                                  []parts.Given
	AfterDoses                             []string // of each drug, sets soon after a dose and the others
	Load                                   string
	Groups                                 []parts.Labelled
	LeftOut                                string
	Unrecognised                           string
	Every                                  everyDrug
	Charts                                 charts.StayCharts
	HasScript                              bool   // the charting script is embedded
	Around                                 string // head of the column of shifts
	Changes                                []reviewChange
	Drops                                  []string
	Fluids                                 []parts.Labelled
	Weight                                 string
	Causes                                 []parts.CauseView
	Form                                   *reviewForm
	Reviews                                []parts.ReviewLine
	NoDoseAdvised                          string
}

type flagView struct {
	Text  string
	Rule  frame.RuleLink
	Count string // of the facts
	Facts string
}

// reviewChange is a change with the sets on both sides of it.
type reviewChange struct {
	At            *frame.Moment
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
	Outcomes []parts.OptionView
	Suggests []suggestView
	Wrong    []parts.ProblemView
	OfField  map[string]string
	Moved    string // what has come in since the form was opened
}

func (s *service) reviewPage(c *frame.Request) (frame.Page, error) {
	return s.showReview(c, http.StatusOK, nil, nil, "")
}

// showReview shows one stay, with what was typed into its form.
func (s *service) showReview(
	c *frame.Request, status int, typed *dosereview.Draft, wrong []dosereview.Problem, moved string,
) (frame.Page, error) {
	seen := frame.StayOf(c)
	d := seen.View.Assessment.Digest
	reviews, err := s.reviewsOf(c.Request.Context(), []string{d.StayID}, seen.When)
	if err != nil {
		return nil, err
	}
	title := text.Say("dosereview.title-stay", cmp.Or(d.Stay.Bed, d.StayID))
	v := s.reviewView(s.Layout(c, title), seen, reviews[d.StayID])
	v.Recorded = typed == nil && c.Query("recorded") != ""
	if seen.When.Live {
		v.Form = s.reviewForm(seen, reviews[d.StayID], typed, wrong)
		v.Form.Moved = moved
		offerBack(v.Reviews, d.StayID)
	}
	return frame.Show(status, "dosereviewstay", v)
}

func (s *service) reviewView(f frame.Layout, seen frame.SeenStay, reviews []records.DoseReview) reviewView {
	a, when := seen.View.Assessment, seen.When
	d := a.Digest
	t := s.Times(when.At, when.Live)
	query := frame.AsOfQuery(when.At)
	if when.Live {
		f, query = f.Live(when.At), ""
	}
	last := records.LastStanding(reviews)
	standing, flagged := dosereview.StandingOf(a, last, s.day(when.At))
	v := reviewView{
		Layout: f.At(frame.QueueURL), Moment: t.Moment(when.At), AsOf: !when.Live, Self: frame.ReviewURL(d.StayID),
		Queue:   frame.QueueURL + query,
		Unit:    frame.Link{Name: d.Stay.Unit, URL: frame.UnitURL(d.Stay.Unit) + query},
		StayURL: frame.StayURL(d.StayID) + query,
		Bed:     d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID, Sex: d.Stay.Sex, Age: parts.AgeOf(d.Stay, t),
		StayID: d.StayID,
		Tier:   a.Tier, TierName: text.TierNames[a.Tier], Place: placeIntro(standing.Place),
		Reviewed: reviewedLine(t, last), Due: standing.Due, News: t.ReviewNews(standing.News),
		Counts: text.Counts(d.Serial), Clearing: t.Clearing(d.Serial, seen.View.Policy.Policy),
		Trend: parts.TrendOf(d.Serial),
		Load:  text.Load(a.Exposures), LeftOut: text.List(a.Exposures.LoadLeftOut), Unrecognised: text.List(d.Unrecognised),
		Fluids: []parts.Labelled{
			{Name: text.Say("dosereview.net-24"), Text: text.Balance(a.Exposures.Net24)},
			{Name: text.Say("dosereview.net-48"), Text: text.Balance(a.Exposures.Net48)},
		},
		Around: text.Say("dosereview.col-around", text.Figure(seen.View.Policy.Policy.Serial.AroundDays)),
		Weight: t.WeightChange(d.Weight), Reviews: parts.ReviewLinesOf(t, reviews), NoDoseAdvised: text.NoDoseAdvised,
	}
	switch {
	case a.Died():
		v.Place = text.Say("dosereview.died")
	case !flagged:
		v.Place = text.Say("dosereview.no-flag")
	}
	if d.Serial.P != nil && d.Serial.Trend != trends.TooFew {
		v.P = text.P(*d.Serial.P)
	}
	for _, flag := range a.Review.Flags {
		v.Flags = append(v.Flags, flagView{
			t.FlagWith(flag, a.Exposures.Contributors), t.Rule(flag.Rule),
			text.Plural(len(flag.Facts), text.Say("dosereview.fact"), text.Say("dosereview.facts")),
			strings.Join(flag.Facts, ", "),
		})
	}
	v.Causes = parts.CausesOf(a.Exposures.Contributors)
	for _, drop := range alerts.DropsAfter(
		d, seen.View.Policy.Policy.DoseReview, func(trends.Change) bool { return true },
	) {
		v.Drops = append(v.Drops, t.DroppedAfter(drop))
	}
	for _, g := range clinical.Groups {
		if ddd, ok := a.Exposures.LoadByGroup[string(g)]; ok {
			v.Groups = append(v.Groups, parts.Labelled{Name: string(g), Text: text.Figure2(ddd) + " DDD"})
		}
	}
	v.AfterDoses = parts.AroundDosesOf(d.Serial, seen.View.Policy.Policy)
	v.Given = parts.GivenOf(t, a.Exposures.LastGiven)
	v.takeSets(t, d)
	v.takeDrugs(s, t, seen)
	v.Every = everyDrugOf(t, trends.StayDrugsOf(seen.View.Chart, a.At), d.Unrecognised)
	v.Charts = charts.OfDoses(seen.View, seen.View.Policy.Policy, t.Catalogue)
	v.HasScript = s.AssetURL("vendor/echarts.min.js") != ""
	v.takeChanges(t, d)
	return v
}

// takeSets shows the latest set, and the latest positive one where it is another.
func (v *reviewView) takeSets(t frame.Times, d trends.Digest) {
	latest := d.LatestSet()
	if latest == nil {
		return
	}
	v.Latest = parts.SetLineOf(t, d, *latest)
	if p := d.LatestPositive(); p != nil && !p.StartedAt.Equal(latest.StartedAt) {
		v.Focus = parts.SetLineOf(t, d, *p)
	}
}

func (v *reviewView) takeDrugs(s *service, t frame.Times, seen frame.SeenStay) {
	a := seen.View.Assessment
	set := a.Digest.LatestPositive()
	positive := set != nil
	if !positive {
		set = a.Digest.LatestSet()
	}
	last := trends.LastGivenBy(seen.View.Chart, a.At)
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
		before = trends.LastGivenBy(seen.View.Chart, set.StartedAt)
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
}

// takeChanges tells the changes, the latest first, with the sets beside each.
func (v *reviewView) takeChanges(t frame.Times, d trends.Digest) {
	for _, c := range slices.Backward(d.Changes) {
		r := reviewChange{
			At: t.MomentAgo(c.At), Drug: c.Drug, Change: c.Change, From: text.Daily(c.From, c.Unit),
			To:    text.Daily(c.To, c.Unit),
			Facts: strings.Join(c.Orders, ", "),
		}
		if c.Route != "" && c.Route != string(clinical.Oral) {
			r.Change += " (" + c.Route + ")"
		}
		before, after := d.SetsBeside(c.At)
		if before != nil {
			r.BeforeAt, r.Before = text.Say(
				"dosereview.set-before", text.Span(c.At.Sub(before.StartedAt)),
			), text.SetLine(d, *before)
		}
		if after != nil {
			r.AfterAt, r.After = text.Say("dosereview.set-after", text.Span(after.StartedAt.Sub(c.At))), text.SetLine(d, *after)
		}
		for _, around := range d.Serial.Around {
			if around.Drug == c.Drug && around.Change == c.Change && around.At.Equal(c.At) {
				r.Around = text.Around(around)
			}
		}
		v.Changes = append(v.Changes, r)
	}
}

func (s *service) reviewForm(
	seen frame.SeenStay, reviews []records.DoseReview, typed *dosereview.Draft, wrong []dosereview.Problem,
) *reviewForm {
	today := seen.When.At.In(s.Zone)
	f := &reviewForm{
		Action: frame.ReviewURL(seen.View.Assessment.Digest.StayID), Seen: dosereview.EvidenceOf(seen.View.Assessment).Mark(),
		First:   today.AddDate(0, 0, 1).Format(time.DateOnly),
		Last:    today.AddDate(0, 0, dosereview.MaxDays).Format(time.DateOnly),
		MaxNote: dosereview.MaxNote, OfField: map[string]string{"suggest": "", "outcome": "", "note": "", "look_again_on": ""},
	}
	if n := len(reviews); n > 0 { // one that was taken back counts too: none is lost between two forms
		f.After = reviews[n-1].Number
	}
	chosen := records.DoseOutcome("")
	if typed != nil {
		chosen, f.Note, f.Day = typed.Outcome, typed.Note, typed.LookAgain
	}
	f.Suggests = suggestsOf(seen, typed)
	for _, o := range dosereview.Outcomes {
		f.Outcomes = append(f.Outcomes, parts.OptionView{ID: "outcome-" + string(o), Value: string(o), On: o == chosen})
	}
	for _, problem := range wrong {
		v := reviewProblem(problem)
		f.Wrong = append(f.Wrong, v)
		f.OfField[v.Where] = v.Says
	}
	return f
}

// Says is the outcome of an option in words.
func (f *reviewForm) Says(value string) string {
	return text.ReviewOutcomes[records.DoseOutcome(value)]
}

func reviewProblem(p dosereview.Problem) parts.ProblemView {
	switch p {
	case dosereview.NoOutcome:
		return parts.ProblemView{Where: "outcome", ID: "outcome-no_change", Says: text.Say("dosereview.no-outcome")}
	case dosereview.NoteMissing:
		return parts.ProblemView{Where: "note", ID: "note", Says: text.Say("dosereview.note-missing")}
	case dosereview.NoteLong:
		return parts.ProblemView{Where: "note", ID: "note", Says: text.Say("dosereview.note-long", dosereview.MaxNote)}
	case dosereview.NotOurs:
		return parts.ProblemView{Where: "suggest", ID: "suggest-1", Says: text.Say("dosereview.suggest-wrong")}
	case dosereview.DayPast:
		return parts.ProblemView{Where: "look_again_on", ID: "look-again-on", Says: text.Say("dosereview.day-past")}
	case dosereview.DayFar:
		return parts.ProblemView{
			Where: "look_again_on", ID: "look-again-on", Says: text.Say("dosereview.day-far", dosereview.MaxDays),
		}
	}
	return parts.ProblemView{Where: "look_again_on", ID: "look-again-on", Says: text.Say("dosereview.no-day")}
}
