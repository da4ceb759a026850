package server

import (
	"cmp"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// fallKey is where guard leaves the fall of the URL for the handler.
const fallKey = "fall"

// seenFall is a fall that the account may see, and the moment asked about.
type seenFall struct {
	fall   assess.Fall
	at     time.Time
	beyond bool // the moment asked for is not before the fall
}

// unitOfFall is the unit by which a fall may be seen: where the patient was when
// falling, by what is known now; where the patient was on none, that of the stay.
func unitOfFall(f assess.Fall) string {
	return cmp.Or(f.Unit, f.Now.Assessment.Digest.Stay.Unit)
}

// permitsFall lets those see a fall who have its unit. One that is not there and one
// that may not be seen are answered alike.
func (s *server) permitsFall(c *gin.Context, r rule, a auth.Account) bool {
	if !a.May(r.needs...) {
		s.refuse(c, r, s.notFound)
		return false
	}
	when, ok := s.asOf(c)
	if !ok {
		return false
	}
	f, err := s.Board.Fall(c.Request.Context(), c.Param("fall"), s.minute())
	if err != nil {
		s.fail(c, err)
		return false
	}
	seen := seenFall{fall: f, at: when.at, beyond: !when.live && !when.at.Before(f.FellAt)}
	if when.live || seen.beyond {
		seen.at = assess.JustBefore(f.FellAt)
	}
	c.Set(fallKey, seen)
	if !a.OnUnit(unitOfFall(f)) {
		s.refuse(c, r, s.notFound)
		return false
	}
	return true
}

func fallURL(id string) string    { return "/falls/" + segment(id) }
func fallsURL(unit string) string { return unitURL(unit) + "/falls" }
func exactly(at time.Time) string {
	return "?as_of=" + url.QueryEscape(at.UTC().Format(time.RFC3339Nano))
}
func isJustBefore(r seenFall) bool { return r.at.Equal(assess.JustBefore(r.fall.FellAt)) }

// fallReviewView is a fall under review, as a page and as a sheet to be printed.
type fallReviewView struct {
	frame
	Bed, Name, PatientID, Age, StayID, SourceID string
	FellAt                                      *moment
	Where, Injury, Assisted                     string
	TakenBack                                   *moment // when it was entered in error
	Versions                                    []versionView
	Bleeding                                    []string // drugs that make the fall more dangerous, by what is known now
	Stay, Falls                                 link

	Moments []momentLink
	Asked   string // for the field, in the site's zone
	Beyond  bool
	Said    string // the moment in words
	Span    string // how long before the fall
	Hidden  bool   // the stay was on a unit that the account may not see

	Then  *thenView
	Late  []laterView
	Since []laterView
	After afterView
	Lines []string // what the team fills in
}

type versionView struct {
	At   string
	Says string
}

type momentLink struct {
	Name, URL string
	Here      bool
}

// thenView is the stay and its place on the list as known at the moment.
type thenView struct {
	Moment          *moment
	Unit, Tier      string
	TierName, Place string
	List, Patient   link
	Lead            *reasonView
	Others          []reasonView
	Latest          *setLine
	Trend           trendView
	Recheck         recheckView
	Rechecks        []owedView
	Precautions     precautionsView
	Missing         []owedView
	Lowering        []string
	Load            string
	Changes         []changeView
	Last            []lastView
	Causes          []causeView
	Fluids          []labelled
	Weight          string
	Flags           []reasonView
	Walks           string
}

// owedView is something owed at the moment.
type owedView struct {
	What       string
	Since, Due *moment
	State      string
	Word       string
	Rule       *ruleLink
}

// laterView is a line of what was charted only later.
type laterView struct {
	Happened, Recorded string
	Delay              string
	Kind, ID           string
	What               string
	Says, Before       string
	AfterFall          bool
}

type afterView struct {
	State  string
	Word   string
	Due    *moment
	Read   *setLine
	First  *setLine // an earlier one that cannot be read
	Hours  string
	Reason ruleLink
	Before []string // what comes before the patient may stand for one
}

func (s *server) fallPage(c *gin.Context) {
	seen := c.MustGet(fallKey).(seenFall)
	review, err := s.Board.ReviewFall(c.Request.Context(), seen.fall, seen.at, s.minute())
	if err != nil {
		s.fail(c, err)
		return
	}
	status := http.StatusOK
	if seen.beyond {
		status = http.StatusUnprocessableEntity
	}
	s.show(c, status, "fall", s.fallView(c, seen, review))
}

func (s *server) fallView(c *gin.Context, seen seenFall, r assess.FallReview) fallReviewView {
	d := r.Now.Assessment.Digest
	t := times{s.Board.Catalogue(s.minute()), false}
	unit := unitOfFall(r.Fall)
	v := fallReviewView{
		frame: s.frame(c, text.Say("fall.title")),
		Bed:   d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID, Age: s.age(d.Stay, t), StayID: d.StayID, SourceID: r.SourceID,
		FellAt: t.ago(r.FellAt), Where: unit, Injury: text.Injury(r.Injury), Assisted: text.Assisted(r.Assisted),
		Stay:  link{Name: d.StayID, URL: stayURL(d.StayID)},
		Falls: link{Name: unit, URL: fallsURL(unit)},
		Asked: seen.at.In(s.Zone).Format("2006-01-02T15:04"), Beyond: seen.beyond, Said: s.momentWords(seen),
		Span: text.Span(r.FellAt.Sub(seen.at)), After: s.afterView(t, r),
		Lines: []string{
			text.Say("fall.line-doing"), text.Say("fall.line-place"), text.Say("fall.line-known"), text.Say("fall.line-care"),
			text.Say("fall.line-change"), text.Say("fall.line-who"),
		},
	}
	v.FellAt.Text = t.Dated(r.FellAt) // the sheet is filed
	for _, known := range r.Known().History {
		line := versionView{At: t.Time(known.RecordedAt), Says: t.Fact(known.Body)}
		if known.Removed() {
			line.Says = text.LaterWords[alerts.LaterTakenBack]
			if r.TakenBack {
				v.TakenBack = t.plain(known.RecordedAt)
			}
		} else if fell, ok := known.Body.(clinical.Fall); ok && !fell.FellAt.Equal(r.FellAt) {
			line.Says += ", " + t.Time(fell.FellAt)
		}
		v.Versions = append(v.Versions, line)
	}
	v.Moments = s.momentsOf(seen)
	if r.Then != nil && !accountOf(c).OnUnit(r.Then.Chart.Stay.Unit) {
		v.Hidden = true
		return v
	}
	v.Bleeding = t.Bleeding(trends.BleedingAround(r.Now.Chart, r.FellAt), r.FellAt)
	v.Then = s.thenView(seen, r)
	for _, l := range r.Later {
		line := laterViewOf(t, l)
		if l.Late {
			v.Late = append(v.Late, line)
		} else {
			v.Since = append(v.Since, line)
		}
	}
	return v
}

// momentWords say which moment is shown.
func (s *server) momentWords(seen seenFall) string {
	t := s.Board.Catalogue(seen.at)
	if isJustBefore(seen) {
		return text.Say("fall.just-before", t.Time(seen.fall.FellAt))
	}
	return text.Say("fall.moment", t.Time(seen.at), text.Span(seen.fall.FellAt.Sub(seen.at)))
}

// momentsOf are the moments that are offered: just before the fall, some hours
// before it, and the last huddle before it.
func (s *server) momentsOf(seen seenFall) []momentLink {
	fell := seen.fall.FellAt
	base := fallURL(seen.fall.SourceID)
	out := []momentLink{{text.Say("fall.preset-before"), base, isJustBefore(seen)}}
	for _, hours := range []int{1, 6, 12, 24} {
		at := fell.Add(-time.Duration(hours) * time.Hour)
		out = append(out, momentLink{text.Say("fall.preset-hours", hours), base + exactly(at), at.Equal(seen.at)})
	}
	if at, ok := alerts.HuddleBefore(fell, seen.fall.Now.Policy.Policy.Unit, s.Zone); ok {
		out = append(out, momentLink{text.Say("fall.preset-huddle", s.Board.Catalogue(at).Time(at)), base + exactly(at), at.Equal(seen.at)})
	}
	return out
}

func (s *server) thenView(seen seenFall, r assess.FallReview) *thenView {
	if r.Then == nil {
		return nil
	}
	a := r.Then.Assessment
	d := a.Digest
	t := times{s.Board.Catalogue(seen.at), false}
	query := exactly(seen.at)
	v := &thenView{
		Moment: t.plain(seen.at), Unit: d.Stay.Unit, Tier: a.Tier, TierName: text.TierNames[a.Tier],
		Place: text.Say("fall.not-listed"),
		List:  link{Name: d.Stay.Unit, URL: unitURL(d.Stay.Unit) + query}, Patient: link{Name: d.StayID, URL: stayURL(d.StayID) + query},
		Trend: trendOf(d.Serial), Recheck: s.recheckView(t, a.Recheck), Precautions: precautionsOf(a.Precautions),
		Load: text.Load(a.Exposures), Weight: text.Say("fall.weight-unknown"),
		Fluids: []labelled{{"24 h", text.Balance(a.Exposures.Net24)}, {"48 h", text.Balance(a.Exposures.Net48)}},
	}
	if r.Rank > 0 {
		v.Place = text.Say("fall.place", r.Rank, r.Patients)
	}
	if reasons := s.reasons(t, a); len(reasons) > 0 {
		v.Lead, v.Others = &reasons[0], reasons[1:]
	}
	if set := d.LatestSet(); set != nil {
		v.Latest = lineOf(t, *set)
	}
	for _, owed := range r.Owed.Rechecks {
		rule := s.rule(owed.Rule)
		v.Rechecks = append(v.Rechecks, owedView{
			What: text.RecheckWhy(owed.Rule, owed.Drug, owed.Change), Since: t.ago(owed.Trigger), Due: t.due(owed.Due),
			State: owed.State, Word: text.RecheckStates[owed.State], Rule: &rule,
		})
	}
	for _, owed := range r.Owed.Precautions {
		v.Missing = append(v.Missing, owedView{What: owed.What, Since: t.ago(owed.Since)})
	}
	drugs := s.drugsView(t, a)
	v.Lowering, v.Last = drugs.Lowering, drugs.Last
	v.Changes = drugs.Changes[:min(len(drugs.Changes), changesShown)]
	for _, cause := range a.Exposures.Contributors {
		v.Causes = append(v.Causes, causeView{text.ContributorNames[cause.Kind], text.Evidence(cause), strings.Join(cause.Facts, ", ")})
	}
	if w := d.Weight; w != nil {
		v.Weight = text.Say("fall.weight", text.Signed(w.KG), t.Time(w.From), t.Time(w.To))
	}
	for _, flag := range a.Review.Flags {
		v.Flags = append(v.Flags, reasonView{t.Flag(flag), s.rule(flag.Rule)})
	}
	if d.Stay.NotAmbulatory {
		v.Walks = text.Say("fall.not-ambulatory")
	}
	return v
}

// changesShown are the latest dose changes of the sheet; the patient's page has all.
const changesShown = 6

func laterViewOf(t times, l alerts.Later) laterView {
	v := laterView{
		Happened: text.Say("fall.no-time"), Recorded: t.Time(l.RecordedAt), Kind: text.FactKinds[l.Kind], ID: l.SourceID,
		What: text.LaterWords[l.What], AfterFall: l.AfterFall, Says: dash, Before: dash,
	}
	if !l.At.IsZero() {
		v.Happened = t.Time(l.At)
		v.Delay = text.Say("fall.delay", text.Span(l.RecordedAt.Sub(l.At)))
	}
	if l.Says != nil {
		v.Says = t.Fact(l.Says)
	}
	if l.Before != nil {
		v.Before = t.Fact(l.Before)
	}
	return v
}

func (s *server) afterView(t times, r assess.FallReview) afterView {
	v := afterView{State: r.After.State, Word: setAfterWord(r.Fall, r.After.State, t.At), Reason: s.rule(alerts.RFall)}
	if !r.After.DueAt.IsZero() {
		v.Due = t.plain(r.After.DueAt)
	}
	if awaited := v.State == alerts.SetOpen || v.State == alerts.SetMissing; awaited && !stayOver(r.Fall, t.At) {
		v.Before = text.Missing(r.Now.Assessment.Recheck.Missing) // of this fall, or of another
	}
	if set := r.After.Read; set != nil {
		v.Read = lineOf(t, *set)
		v.Hours = text.Say("fall.after", text.Span(set.StartedAt.Sub(r.FellAt)))
	}
	if set := r.After.First; set != nil && set != r.After.Read {
		v.First = lineOf(t, *set)
	}
	return v
}

// fallStates say how the set after a fall stands.
func fallStates() map[string]string {
	return map[string]string{
		alerts.SetInTime: text.Say("fall.set-in-time"), alerts.SetLate: text.Say("fall.set-late"), alerts.SetOpen: text.Say("fall.set-open"),
		alerts.SetMissing: text.Say("fall.set-missing"), alerts.SetNotOwed: text.Say("fall.set-not-owed"),
	}
}

// setAfterWord is how the set after a fall stands. Of a stay that has ended none is
// awaited any more.
func setAfterWord(f assess.Fall, state string, now time.Time) string {
	if (state == alerts.SetOpen || state == alerts.SetMissing) && stayOver(f, now) {
		return text.Say("fall.set-never")
	}
	return fallStates()[state]
}

func stayOver(f assess.Fall, now time.Time) bool {
	out := f.Now.Assessment.Digest.Stay.DischargedAt
	return out != nil && !out.After(now)
}

// fallsView lists the falls of a unit.
type fallsView struct {
	frame
	Unit     string
	List     string // the address of the ranked list
	From, To string // months, as the fields hold them
	Period   string
	Count    string
	Falls    []fallLine
	Left     int // falls that are not listed, being more than the page shows
	Error    string
}

type fallLine struct {
	At                              *moment
	URL, Bed, Name, PatientID       string
	Injury, Assisted                string
	Tier, TierName, Lead, State, ID string
}

// fallsShown are the falls that the page lists at most.
const fallsShown = 200

// fallsMonths are the months that the page lists where none are asked for.
const fallsMonths = 6

func (s *server) fallsPage(c *gin.Context) {
	unit, now := c.Param("unit"), s.minute()
	v := fallsView{frame: s.frame(c, text.Say("falls.title", unit)).at(fallsURL(unit)), Unit: unit, List: unitURL(unit)}
	from, to, ok := s.months(c, now)
	if !ok {
		v.Error = text.Say("falls.bad-months")
	}
	v.From, v.To = from.In(s.Zone).Format("2006-01"), to.In(s.Zone).Add(-time.Hour).Format("2006-01")
	v.Period = text.Say("falls.period", from.In(s.Zone).Format("January 2006"), to.In(s.Zone).Add(-time.Hour).Format("January 2006"))
	falls, err := s.Board.Falls(c.Request.Context(), unit, from, to, now)
	if err != nil {
		s.fail(c, err)
		return
	}
	v.Count = text.Plural(len(falls), "fall", "falls")
	if len(falls) > fallsShown {
		v.Left, falls = len(falls)-fallsShown, falls[:fallsShown]
	}
	t := times{s.Board.Catalogue(now), false}
	for _, f := range falls {
		v.Falls = append(v.Falls, s.fallLine(t, f))
	}
	status := http.StatusOK
	if !ok {
		status = http.StatusUnprocessableEntity
	}
	s.show(c, status, "falls", v)
}

func (s *server) fallLine(t times, f assess.FallOnUnit) fallLine {
	d := f.Now.Assessment.Digest
	l := fallLine{
		At: t.ago(f.FellAt), URL: fallURL(f.SourceID), ID: f.SourceID, Bed: d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID,
		Injury: text.Injury(f.Injury), Assisted: text.Assisted(f.Assisted), State: setAfterWord(f.Fall, f.After.State, t.At),
		TierName: text.Say("falls.not-known"),
	}
	if a := f.Before; a != nil {
		before := times{s.Board.Catalogue(a.At), false}
		l.Bed = a.Digest.Stay.Bed
		l.Tier, l.TierName = a.Tier, text.TierNames[a.Tier]
		if len(a.Reasons) > 0 {
			l.Lead = before.Brief(a.Reasons[0])
		}
	}
	return l
}

// months reads the first and the last month asked for, or takes the latest ones:
// from the start of the first until the end of the last. False where they cannot be
// read or stand in the wrong order; the latest ones are then shown.
func (s *server) months(c *gin.Context, now time.Time) (from, to time.Time, ok bool) {
	year, month, _ := now.In(s.Zone).Date()
	start := func(y int, m time.Month) time.Time { return clinical.DayStart(y, m, 1, s.Zone) }
	from, to = start(year, month-fallsMonths+1), start(year, month+1)
	read := func(name string, byDefault time.Time, later time.Month) (time.Time, bool) {
		word := strings.TrimSpace(c.Query(name))
		if word == "" {
			return byDefault, true
		}
		m, err := time.Parse("2006-01", word)
		return start(m.Year(), m.Month()+later), err == nil
	}
	first, okFrom := read("from", from, 0)
	last, okTo := read("to", to, 1)
	if !okFrom || !okTo || !first.Before(last) {
		return from, to, false
	}
	return first, last, true
}
