package doses

import (
	"bytes"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/export"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// mostReviews is how many reviews with suggestions the ledger shows: it reads each one's stay.
const mostReviews = 100

// ledgerDays are the spans that the ledger may be asked for, in days; the first is the default.
var ledgerDays = []int{30, 90, 365}

// suggested is one suggestion with what became of it.
type suggested struct {
	review records.DoseReview
	of     records.DoseSuggestion
	view   assess.StayView
	became dosereview.Became
}

// ledger is the answer to one request for the ledger.
type ledger struct {
	at    time.Time
	days  int
	who   string // "": everybody
	whos  map[string]int
	units []string
	lines []suggested // the latest first
	more  int         // reviews further back that are left off
}

// ledgerOf reads the suggestions that an account may see, and the stays of those shown.
func (s *service) ledgerOf(c *frame.Request) (ledger, error) {
	l := ledger{at: s.Now(c), days: ledgerDays[0], who: c.Query("who"), whos: map[string]int{}}
	if n, err := strconv.Atoi(c.Query("days")); err == nil && slices.Contains(ledgerDays, n) {
		l.days = n
	}
	ctx := c.Request.Context()
	units, err := s.UnitsFor(ctx, frame.AccountOf(c))
	if err != nil || s.DoseReviews == nil {
		return l, err
	}
	l.units = units
	for _, unit := range units { // what cannot be recorded is not shown
		e := records.AuditEntry{Did: audit.View, Unit: unit, Outcome: frame.Allowed, Note: "suggestions of dose reviews"}
		if err := s.Noted(c, e); err != nil {
			return l, err
		}
	}
	var reviews []records.DoseReview
	now := s.Clock() // not the page's minute: a step of seconds ago counts
	if reviews, l.more, err = s.DoseReviews.SuggestionsMade(ctx, units, now.AddDate(0, 0, -l.days), now, mostReviews); err != nil {
		return l, err
	}
	stays := map[string]assess.StayView{}
	for _, r := range reviews {
		l.whos[r.Who] += len(r.Suggestions)
		if l.who != "" && l.who != r.Who {
			continue
		}
		view, read := stays[r.StayID]
		if !read {
			view, err = s.Finder.Stay(ctx, r.StayID, l.at)
			if err != nil && clinical.CodeOf(err) != clinical.NotFound { // a stay taken back: nothing is known of it
				return l, err
			}
			stays[r.StayID] = view
		}
		d := view.Assessment.Digest
		if !slices.Contains(units, d.Stay.Unit) {
			continue
		}
		for _, of := range r.Suggestions {
			l.lines = append(l.lines, suggested{r, of, view, dosereview.BecameOf(of, r.At, d)})
		}
	}
	return l, nil
}

// url is the address of the ledger, or of a file of it, under its filter.
func (l ledger) url(path string) string {
	q := url.Values{}
	if l.days != ledgerDays[0] {
		q.Set("days", strconv.Itoa(l.days))
	}
	if l.who != "" {
		q.Set("who", l.who)
	}
	if len(q) == 0 {
		return path
	}
	return path + "?" + q.Encode()
}

type ledgerView struct {
	frame.Layout
	Moment    *frame.Moment
	Count     string
	Questions []parts.Question
	Lines     []ledgerLine
	Left      string // what is left off; "" for nothing
	Around    string // the head of its column
	XLSX, CSV string
}

type ledgerLine struct {
	At            *frame.Moment
	URL           string
	Bed, Name     string
	Unit, Who     string
	Says, Answer  string
	Back          bool // the review was taken back
	Change        string
	Before, After string
	Around, Falls string
}

func (s *service) ledgerPage(c *frame.Request) (frame.Page, error) {
	l, err := s.ledgerOf(c)
	if err != nil {
		return nil, err
	}
	t := s.Times(l.at, true)
	v := ledgerView{
		Layout: s.LayoutOfUnits(c, text.Say("ledger.heading"), l.units, frame.Asked{At: l.at, Live: true}).Live(l.at).At(frame.LedgerURL),
		Moment: t.Moment(l.at),
		Count:  text.Say("ledger.count", len(l.lines), l.days), Questions: l.questions(),
		Around: text.Say("dosereview.col-around", text.Figure(s.PolicyFor(c.Request.Context()).Policy.Serial.AroundDays)),
		XLSX:   l.url(frame.LedgerURL + ".xlsx"), CSV: l.url(frame.LedgerURL + ".csv"),
	}
	if l.more > 0 {
		v.Left = text.Say("ledger.left", l.more)
	}
	for _, e := range l.lines {
		v.Lines = append(v.Lines, lineOf(t, e))
	}
	return frame.Show(http.StatusOK, "ledger", v)
}

// questions are whose suggestions, and of how many days.
func (l ledger) questions() []parts.Question {
	whose, span := parts.Question{Name: text.Say("ledger.ask-who")}, parts.Question{Name: text.Say("ledger.ask-days")}
	var names []string
	for name := range l.whos {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		other := l
		if other.who = name; l.who == name {
			other.who = ""
		}
		whose.Answers = append(whose.Answers, parts.Answer{
			Name: name, Count: strconv.Itoa(l.whos[name]), URL: other.url(frame.LedgerURL), On: l.who == name,
		})
	}
	for _, days := range ledgerDays {
		other := l
		other.days = days
		span.Answers = append(span.Answers, parts.Answer{
			Name: text.Say("ledger.days", days), URL: other.url(frame.LedgerURL), On: l.days == days,
		})
	}
	return slices.DeleteFunc([]parts.Question{whose, span}, func(q parts.Question) bool { return len(q.Answers) == 0 })
}

func lineOf(t frame.Times, e suggested) ledgerLine {
	d, b := e.view.Assessment.Digest, e.became
	v := ledgerLine{
		At: t.MomentAgo(e.review.At), URL: frame.ReviewURL(d.StayID), Bed: d.Stay.Bed, Name: d.Stay.Name, Unit: d.Stay.Unit,
		Who: e.review.Who, Says: parts.SuggestionOf(e.of), Answer: parts.AnswerTo(t, e.review), Change: changeSaid(t, b),
		Before: setsSaid(b.Before), After: setsSaid(b.After), Falls: text.Say("ledger.no-falls"),
	}
	if back := e.review.Last(records.TakenBack); back != nil {
		v.Back, v.Answer = true, text.Say("dosereview.taken-back", t.Time(back.At), back.Who, back.Note)
	}
	if b.Falls > 0 {
		v.Falls = text.Say("ledger.falls", b.Falls)
	}
	if b.Around != nil {
		v.Around = text.Around(*b.Around)
	}
	return v
}

// changeSaid says which change of the order came after a suggestion.
func changeSaid(t frame.Times, b dosereview.Became) string {
	switch {
	case b.Change == nil && b.Unseen:
		return text.Say("ledger.unseen")
	case b.Change == nil:
		return text.Say("ledger.no-change")
	case b.AsSuggested:
		return text.Say("ledger.as-suggested", text.Change(*b.Change), t.Time(b.Change.At))
	}
	return text.Say("ledger.other-change", text.Change(*b.Change), t.Time(b.Change.At))
}

func setsSaid(c dosereview.SetCount) string {
	switch {
	case c.Sets == 0:
		return text.Say("ledger.no-sets")
	case c.Drop == nil:
		return text.Say("ledger.sets", c.Positive, c.Sets)
	}
	return text.Say("ledger.sets-drop", c.Positive, c.Sets, text.Figure(*c.Drop))
}

// ledgerSheet is the ledger as a table; each patient in it counts as viewed.
func (s *service) ledgerSheet(c *frame.Request) (export.Sheet, ledger, error) {
	l, err := s.ledgerOf(c)
	if err != nil {
		return export.Sheet{}, l, err
	}
	sheet := export.Sheet{Name: text.Say("ledger.heading"), Head: heads(text.Say("ledger.head")), Zone: s.Zone}
	t := s.Times(l.at, false)
	noted := map[string]bool{}
	for _, e := range l.lines {
		d := e.view.Assessment.Digest
		if !noted[d.StayID] {
			noted[d.StayID] = true
			entry := records.AuditEntry{
				Did: audit.Export, Unit: d.Stay.Unit, Stay: d.StayID, Outcome: frame.Allowed, Note: "suggestions export",
			}
			if err := s.Noted(c, entry); err != nil {
				return sheet, l, err
			}
		}
		sheet.Rows = append(sheet.Rows, ledgerCells(t, e))
	}
	return sheet, l, nil
}

func ledgerCells(t frame.Times, e suggested) []any {
	d, b := e.view.Assessment.Digest, e.became
	row := []any{
		d.Stay.Unit, missing(d.Stay.Bed), missing(d.Stay.PatientID), missing(d.Stay.Name), d.StayID, e.review.At, e.review.Who, e.of.Drug,
		text.SuggestionClasses[e.of.Class],
	}
	var answer, by, answered, back, why any
	if a := e.review.Last(records.Answered); a != nil {
		answer, by, answered = text.SuggestionAnswers[a.Answer], a.Who, a.At
	}
	if a := e.review.Last(records.TakenBack); a != nil {
		back, why = a.At, a.Note
	}
	row = append(row, answer, by, answered, back, why)
	var change, at, as any
	if b.Change != nil {
		change, at, as = text.Change(*b.Change), b.Change.At, b.AsSuggested
	}
	row = append(row, change, at, as, b.Before.Positive, b.Before.Sets, b.Before.Drop, b.After.Positive, b.After.Sets, b.After.Drop)
	if a := b.Around; a != nil {
		row = append(row, a.SetsBefore, a.SetsAfter, a.Shift.Shift, a.Low, a.High, a.P, a.PSmallest)
	} else {
		row = append(row, nil, nil, nil, nil, nil, nil, nil)
	}
	return append(row, b.Falls)
}

func (s *service) ledgerXLSX(c *frame.Request) (frame.Page, error) {
	sheet, l, err := s.ledgerSheet(c)
	if err != nil {
		return nil, err
	}
	about := export.Sheet{Name: text.Say("dosereview.table-about"), Head: heads(text.Say("dosereview.head-about")), Zone: s.Zone}
	about.Rows = [][]any{
		{text.Say("dosereview.about-at"), l.at}, {text.Say("dosereview.about-zone"), s.Zone.String()},
		{text.Say("ledger.ask-days"), l.days}, {text.Say("ledger.left-off"), l.more},
		{text.Say("dosereview.about-policy"), s.PolicyOf(c).Hash},
		{text.Say("dosereview.about-caution"), text.Say("dosereview.not-cause") + " " + text.NoDoseAdvised},
	}
	var b bytes.Buffer
	if err := export.XLSX(&b, about, sheet); err != nil {
		return nil, err
	}
	return frame.Download(c, l.file(s.Zone, ".xlsx"), export.XLSXType, b.Bytes())
}

func (s *service) ledgerCSV(c *frame.Request) (frame.Page, error) {
	sheet, l, err := s.ledgerSheet(c)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := export.CSV(&b, sheet); err != nil {
		return nil, err
	}
	return frame.Download(c, l.file(s.Zone, ".csv"), export.CSVType, b.Bytes())
}

func (l ledger) file(zone *time.Location, end string) string {
	return "suggestions-" + l.at.In(zone).Format("2006-01-02-1504") + end
}
