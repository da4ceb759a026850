package server

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/auth"
	"plumbline/internal/charts"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// stayView is one patient.
type stayView struct {
	frame
	Moment *moment
	AsOf   bool
	Self   string
	Unit   link

	Bed, Name, PatientID, Sex, Age, StayID string
	Admitted, Discharged                   *moment
	Walks                                  string

	Tier, TierName string
	Lead           *reasonView
	Others         []reasonView
	Recheck        recheckView
	Open           []openRecheck
	Precautions    precautionsView
	ReviewNeeded   bool
	Flags          []reasonView
	DoseReviews    []reviewLine // recorded, the latest first
	ReviewURL      string       // "" where the account records none
	Latest         *setLine
	TakeSet        string // where a set is taken; "" for who may not

	Counts, Clearing string
	Needed           []string // what would clear the stay
	ClearingRun      int      // negative sets that count so far
	ClearNegatives   int      // that it takes
	Trend            trendView
	Course           string // the trend in full
	Around           []aroundView
	FlagCount        string
	Bleeding         []string // by the fall that put the patient on the list; nil without one
	Contents         []link   // of the page
	History          string   // where everything charted is shown

	Episodes []episodeView

	Charts     charts.Board
	HasScript  bool // the charting script is embedded
	Sets       []setView
	Printed    charts.Table // of the latest sets, in place of all
	Drugs      drugsView
	Causes     []causeView
	Fluids     []labelled
	Weight     string
	Falls      []fallView
	Conditions []clinical.Condition
	Treatments []labelled
}

type openRecheck struct {
	Due  *moment
	Why  string
	Rule ruleLink
}

type aroundView struct {
	What string
	At   *moment
	Says string
}

type labelled struct{ Name, Text string }

type causeView struct {
	Name, Evidence string
	Facts          string
}

type fallView struct {
	At       *moment
	Injury   string
	Assisted string
	ID       string
	URL      string   // of the page after the fall
	Bleeding []string // drugs that make it more dangerous
}

func (s *server) stayPage(c *gin.Context) {
	when, view := stayOf(c).when, stayOf(c).view
	title := text.Say("stay.title-stay", view.Assessment.Digest.StayID)
	if bed := view.Assessment.Digest.Stay.Bed; bed != "" {
		title = text.Say("stay.title-bed", bed)
	}
	v := s.stayView(s.frame(c, title), when, view)
	var err error
	if v.Episodes, err = s.stayEpisodes(c, when, view.Assessment.Digest.StayID); err != nil {
		s.fail(c, err)
		return
	}
	if !s.takeReviews(c, &v, when) {
		return
	}
	if when.live && accountOf(c).May(auth.RecordSet) {
		v.TakeSet = setURL(v.StayID)
	}
	s.show(c, http.StatusOK, "stay", v)
}

func (s *server) stayView(f frame, when asked, view assess.StayView) stayView {
	a := view.Assessment
	d := a.Digest
	t := times{s.Board.Catalogue(when.at), when.live}
	query := asOfQuery(when.at)
	if when.live {
		f, query = f.live(when.at), ""
	}
	v := stayView{
		frame: f, Moment: t.plain(when.at), AsOf: !when.live, Self: stayURL(d.StayID),
		Unit: link{Name: d.Stay.Unit, URL: unitURL(d.Stay.Unit) + query},
		Bed:  d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID, Sex: d.Stay.Sex, StayID: d.StayID,
		Age: s.age(d.Stay, t), Admitted: t.ago(d.Stay.AdmittedAt),
		Tier: a.Tier, TierName: text.TierNames[a.Tier],
		Recheck: s.recheckView(t, a.Recheck), Precautions: precautionsOf(a.Precautions), ReviewNeeded: a.Review.Needed,
		Counts: text.Counts(d.Serial), Clearing: t.Clearing(d.Serial, view.Policy.Policy), Trend: trendOf(d.Serial),
		HasScript: s.assets.path("vendor/echarts.min.js") != "",
	}
	if d.Stay.DischargedAt != nil {
		v.Discharged = t.plain(*d.Stay.DischargedAt)
	}
	if d.Stay.NotAmbulatory {
		v.Walks = text.Say("stay.not-ambulatory")
	}
	if reasons := s.reasons(t, a); len(reasons) > 0 {
		v.Lead, v.Others = &reasons[0], reasons[1:]
	}
	for n, i := range a.Recheck.Open {
		if n > 0 { // the first one is the recheck itself
			v.Open = append(v.Open, openRecheck{t.due(i.Due), text.RecheckWhy(i.Rule, i.Drug, i.Change), s.rule(i.Rule)})
		}
	}
	for _, flag := range a.Review.Flags {
		v.Flags = append(v.Flags, reasonView{t.Flag(flag), s.rule(flag.Rule)})
	}
	v.Course = text.Course(d.Serial, view.Policy.Policy.Serial)
	if needs, ok := trends.ClearingNeeds(d, view.Policy.Policy); ok {
		v.Needed = t.Needed(needs, view.Policy.Policy)
		v.ClearingRun, v.ClearNegatives = d.Serial.ClearingRun, view.Policy.Policy.Serial.ClearNegatives
	}
	v.FlagCount = flagCount(len(v.Flags))
	if set := d.LatestSet(); set != nil {
		v.Latest = lineOf(t, *set)
	}
	for _, around := range d.Serial.Around {
		v.Around = append(v.Around, aroundView{around.Drug + " " + around.Change, t.plain(around.At), text.Around(around)})
	}
	v.Charts = charts.Of(view, view.Policy.Policy, t.Catalogue)
	v.Printed = latestRows(v.Charts.Panels[0].Table)
	for n := len(d.Sets) - 1; n >= 0; n-- {
		v.Sets = append(v.Sets, s.setView(t, d.Sets[n]))
	}
	v.Drugs = s.drugsView(t, a)
	for _, cause := range a.Exposures.Contributors {
		v.Causes = append(v.Causes, causeView{text.ContributorNames[cause.Kind], text.Evidence(cause), strings.Join(cause.Facts, ", ")})
	}
	v.Fluids = []labelled{
		{text.Say("stay.last-hours", 24), text.Balance(a.Exposures.Net24)},
		{text.Say("stay.last-hours", 48), text.Balance(a.Exposures.Net48)},
	}
	v.Weight = text.Say("stay.weight-unknown")
	if w := d.Weight; w != nil {
		v.Weight = text.Say("stay.weight-change", text.Signed(w.KG), t.Time(w.From), t.Time(w.To))
	}
	v.takeChart(t, view.Chart)
	if len(v.Falls) > 0 && fellRecently(a) {
		v.Bleeding = v.Falls[0].Bleeding
	}
	v.History = historyURL(d.StayID) + query
	v.Contents = contentsOf(v)
	return v
}

// printedSets is how many sets a print lists: it has two pages.
const printedSets = 6

// latestRows are the last rows of a table, the last one first.
func latestRows(t charts.Table) charts.Table {
	rows := slices.Clone(t.Rows[max(0, len(t.Rows)-printedSets):])
	slices.Reverse(rows)
	return charts.Table{Head: t.Head, Rows: rows}
}

func flagCount(n int) string {
	switch n {
	case 0:
		return text.Say("stay.no-flag")
	case 1:
		return text.Say("stay.one-flag")
	}
	return text.Say("stay.some-flags", n)
}

// fellRecently reports whether a fall is among the reasons for the patient's place.
func fellRecently(a alerts.Assessment) bool {
	return slices.ContainsFunc(a.Reasons, func(r alerts.Reason) bool { return r.Rule == alerts.TFall || r.Rule == alerts.TFell })
}

// contentsOf lists the parts of the page that lie below its first screen.
func contentsOf(v stayView) []link {
	out := []link{}
	if len(v.Episodes) > 0 {
		out = append(out, link{Name: text.Say("stay.to-episodes"), URL: "#h-episodes"})
	}
	return append(out,
		link{Name: text.Say("stay.to-charts"), URL: "#h-charts"},
		link{Name: text.Say("stay.to-sets"), URL: "#h-sets"},
		link{Name: text.Say("stay.to-drugs"), URL: "#h-drugs"},
		link{Name: text.Say("stay.to-contributors"), URL: "#h-around"},
		link{Name: text.Say("stay.to-falls"), URL: "#h-falls"},
		link{Name: text.Say("stay.to-history"), URL: v.History},
	)
}

// takeChart lists what is shown as it was charted.
func (v *stayView) takeChart(t times, c clinical.Chart) {
	for _, r := range c.Records {
		if r.Body.OwnTime().After(c.AsOf) {
			continue
		}
		switch b := r.Body.(type) {
		case clinical.Fall:
			f := fallView{At: t.ago(b.FellAt), Injury: text.Injury(b.Injury), Assisted: text.Assisted(b.Assisted), ID: r.SourceID, URL: fallURL(r.SourceID)}
			f.Bleeding = t.Bleeding(trends.BleedingAround(c, b.FellAt), b.FellAt)
			v.Falls = append(v.Falls, f)
		case clinical.Condition:
			v.Conditions = append(v.Conditions, b)
		case clinical.Treatment:
			what := b.What
			if what == "" {
				what = text.Say("stay.kind-unknown")
			}
			v.Treatments = append(v.Treatments, labelled{t.Time(b.GivenAt), what})
		}
	}
	slices.Reverse(v.Falls)
}

// setView is a set with every reading.
type setView struct {
	ID        string // for links to it
	At        *moment
	Kind      string
	Where     string // given in the feed, or inferred
	Finding   string
	Says      string
	Grade     string
	Filled    bool
	Notes     []string
	Readings  []readingView
	Criteria  []reasonView
	Timing    string
	Sustained string
	Response  string
	Lying     string
	Drops     string
	Pulse     string
	Symptoms  []string
	Stopped   bool
	Facts     string
}

type readingView struct {
	Time, Position, Minutes, Pressure, Pulse, Limb, Drops, Rise string
	Baseline                                                    bool
}

func (s *server) setView(t times, set trends.Set) setView {
	v := setView{
		ID: "set-" + set.StartedAt.UTC().Format("20060102T150405"), At: t.ago(set.StartedAt), Kind: text.Kinds[set.Kind],
		Where: text.Say("stay.set-given", set.SetID), Finding: set.Finding, Says: text.Findings[set.Finding],
		Grade: text.Grades[set.Quality], Filled: set.Quality == trends.Complete, Notes: set.QualityNotes,
		Timing: text.Timings[set.Timing], Sustained: text.Sustained(set.Sustained), Response: text.Response(set),
		Lying: string(set.LyingPressure), Drops: text.Drops(set), Symptoms: set.Symptoms, Stopped: set.StoppedEarly,
		Facts: strings.Join(set.Facts, ", "),
	}
	if set.Inferred() {
		v.Where = text.Say("stay.set-inferred")
	}
	if set.PulseRise != nil {
		v.Pulse = text.Signed(*set.PulseRise) + " beats/min"
		if set.PulseRisePercent != nil {
			v.Pulse += " (" + text.Signed(*set.PulseRisePercent) + " %)"
		}
	}
	for _, word := range set.Criteria {
		criterion := text.Criteria[word]
		v.Criteria = append(v.Criteria, reasonView{criterion.Text, s.rule(criterion.ID)})
	}
	if b := set.Baseline; b != nil {
		v.Readings = append(v.Readings, readingView{
			Time: t.Time(b.TakenAt), Position: string(b.Position), Minutes: minutes(b.Minutes, text.Say("stay.rested")),
			Pressure: text.Pressure(b.Systolic, b.Diastolic), Pulse: number(b.HeartRate), Limb: word(b.Limb), Baseline: true,
			Drops: dash, Rise: dash,
		})
	}
	for _, u := range set.Upright {
		from := text.Say("stay.upright")
		if u.MinutesFrom == trends.FromTimestamps {
			from = text.Say("stay.upright-at-most")
		}
		v.Readings = append(v.Readings, readingView{
			Time: t.Time(u.TakenAt), Position: string(u.Position), Minutes: minutes(u.Minutes, from),
			Pressure: text.Pressure(u.Systolic, u.Diastolic), Pulse: number(u.HeartRate), Limb: word(u.Limb),
			Drops: number(u.SystolicDrop) + " / " + number(u.DiastolicDrop), Rise: rise(u.PulseRise),
		})
	}
	return v
}

func rise(v *float64) string {
	if v == nil {
		return dash
	}
	return text.Signed(*v)
}

func word(w trends.Word) string {
	if w == "" {
		return text.Say("stay.not-charted")
	}
	return string(w)
}

func minutes(v *float64, what string) string {
	if v == nil {
		return text.Say("stay.not-charted")
	}
	return text.Say("stay.minutes", text.Figure(*v), what)
}

// drugsView is what the drugs of a stay say.
type drugsView struct {
	Lowering, Contributing, Pressor, Other []string
	Changes                                []changeView
	Last                                   []lastView
	LastFrom                               string // what the hours count to
	Load                                   string
	Groups                                 []labelled
	LeftOut                                string
	Unrecognised                           []string
}

type changeView struct {
	At             *moment
	Drug, Change   string
	Before, After  string
	Route          string
	Lowering, Owes bool
}

type lastView struct {
	Drug  string
	At    *moment
	Hours string
}

func (s *server) drugsView(t times, a alerts.Assessment) drugsView {
	d, e := a.Digest, a.Exposures
	v := drugsView{Load: text.Load(e), LeftOut: text.List(e.LoadLeftOut), Unrecognised: d.Unrecognised}
	for _, drug := range e.Active {
		name := drug.Name
		if g := drug.Group(); g != clinical.NoGroup {
			name += " (" + string(g) + ")"
		}
		switch {
		case drug.Lowering():
			v.Lowering = append(v.Lowering, name)
		case drug.Contributing():
			v.Contributing = append(v.Contributing, name)
		case drug.Pressor():
			v.Pressor = append(v.Pressor, name)
		default:
			v.Other = append(v.Other, name)
		}
	}
	for n := len(d.Changes) - 1; n >= 0; n-- {
		c := d.Changes[n]
		v.Changes = append(v.Changes, changeView{
			At: t.ago(c.At), Drug: c.Drug, Change: c.Change, Before: text.Daily(c.From, c.Unit), After: text.Daily(c.To, c.Unit),
			Route: c.Route, Lowering: c.Lowering, Owes: c.OwesRecheck,
		})
	}
	reference := a.At
	v.LastFrom = text.Say("stay.from-now")
	if set := d.LatestSet(); set != nil {
		reference, v.LastFrom = set.StartedAt, text.Say("stay.from-set")
	}
	for _, l := range d.LastDoses {
		v.Last = append(v.Last, lastView{l.Drug, t.plain(l.GivenAt), text.Say("stay.before", text.Span(reference.Sub(l.GivenAt).Round(time.Minute)), v.LastFrom)})
	}
	for _, g := range clinical.Groups {
		if ddd, ok := e.LoadByGroup[string(g)]; ok {
			v.Groups = append(v.Groups, labelled{string(g), text.Figure2(ddd) + " DDD"})
		}
	}
	return v
}
