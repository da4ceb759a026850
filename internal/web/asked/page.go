package asked

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// The spans of the page: suggestions are looked for so many days back, answers of one's own so
// many hours, and so many reviews are shown at most.
const (
	suggestedDays = 30
	answeredHours = 24
	mostReviews   = 60
)

// view is the page.
type view struct {
	frame.Layout
	Moment      *frame.Moment
	Count       string
	Clearances  []clearance
	Suggestions []suggestion
	Tells       []tell
	Done        []doneView
	Left        string // reviews that are left off; "" for none
}

// patient names the patient of what is asked, with the latest set.
type patient struct {
	Bed, Name, PatientID, Unit, URL string
	Set                             *parts.SetLine
}

// owed is an episode that waits, with the fields of its form.
type owed struct {
	patient
	URL, Seen, By string
	Why           string
	Says          string // where it stands: told, taken, put off
}

type clearance struct {
	owed
	Fall   string
	Bleeds string
	Mind   []string // what speaks against standing
}

type tell struct{ owed }

type suggestion struct {
	patient
	ID       string // of its form
	URL      string
	At       *frame.Moment
	Who      string
	Suggests []string
	Sets     []string // of each drug the sets after a dose and the others (T-DOSE)
	Note     string
	Answers  []parts.ChoiceView
	Answered string
}

// doneView is a clearance of one's own that can be taken back.
type doneView struct {
	patient
	Action, Fact string
	Says         string
}

// reader reads each stay of the page once.
type reader struct {
	*service
	ctx   context.Context
	t     frame.Times
	units []string
	stays map[string]*assess.StayView
}

// stay is a stay of the account's units; nil for one that is not, or not there any more.
func (r *reader) stay(id string) (*assess.StayView, error) {
	if v, read := r.stays[id]; read {
		return v, nil
	}
	v, err := r.Patients.Stay(r.ctx, id, r.t.At)
	if err != nil && clinical.CodeOf(err) != clinical.NotFound {
		return nil, err
	}
	r.stays[id] = nil
	if err == nil && slices.Contains(r.units, v.Assessment.Digest.Stay.Unit) {
		r.stays[id] = &v
	}
	return r.stays[id], nil
}

func (s *service) page(c *frame.Request) (frame.Page, error) {
	now, account, ctx := s.Now(c), frame.AccountOf(c), c.Request.Context()
	units, err := s.UnitsFor(ctx, account)
	if err != nil {
		return nil, err
	}
	for _, unit := range units { // what cannot be recorded is not shown
		e := records.AuditEntry{Did: audit.View, Unit: unit, Outcome: frame.Allowed, Note: "what a prescriber is asked"}
		if err := s.Noted(c, e); err != nil {
			return nil, err
		}
	}
	r := &reader{s, ctx, s.Times(now, true), units, map[string]*assess.StayView{}}
	v := view{
		Layout: s.LayoutOfUnits(c, text.Say("asked.heading"), units, frame.Asked{At: now, Live: true}).Live(now).At(frame.AskedURL),
		Moment: r.t.Moment(now),
	}
	for _, take := range []func(*view, records.Account) error{r.takeOwed, r.takeSuggestions, r.takeDone} {
		if err := take(&v, account); err != nil {
			return nil, err
		}
	}
	v.Count = text.Say("asked.count", len(v.Clearances)+len(v.Suggestions)+len(v.Tells))
	return frame.Show(http.StatusOK, "asked", v)
}

func (r *reader) patientOf(v *assess.StayView) patient {
	d := v.Assessment.Digest
	p := patient{
		Bed: d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID, Unit: d.Stay.Unit, URL: frame.StayURL(d.StayID),
	}
	if set := d.LatestSet(); set != nil {
		p.Set = parts.SetLineOf(r.t, d, *set)
	}
	return p
}

// takeOwed puts the clearances and what is to be told, the oldest first.
func (r *reader) takeOwed(v *view, a records.Account) error {
	if r.Episodes == nil {
		return nil
	}
	for _, unit := range r.units {
		list, err := r.Episodes.Unit(r.ctx, unit)
		if err != nil {
			return err
		}
		for _, e := range list {
			if !e.Active() || e.Kind != episodes.ClearanceOwed && e.Kind != episodes.TellProvider {
				continue
			}
			stay, err := r.stay(e.StayID)
			if err != nil {
				return err
			}
			if stay == nil || stay.Assessment.Died() {
				continue
			}
			o := r.owedOf(e, stay, a)
			if e.Kind == episodes.TellProvider {
				v.Tells = append(v.Tells, tell{o})
				continue
			}
			o.URL += "/clear"
			v.Clearances = append(v.Clearances, r.clearanceOf(o, stay))
		}
	}
	return nil
}

func (r *reader) owedOf(e records.Episode, stay *assess.StayView, a records.Account) owed {
	o := owed{
		patient: r.patientOf(stay), URL: "/episodes/" + e.ID, By: a.Name,
		Why: r.t.EpisodeWhy(e.Rule, e.Figures), Says: r.t.EpisodeState(e),
		Seen: parts.SeenOf(episodes.ThingOf(e, []records.Episode{e})),
	}
	if e.Kind == episodes.TellProvider {
		o.URL += "/tell"
	}
	return o
}

// clearanceOf adds the fall that blocks, the latest of them.
func (r *reader) clearanceOf(o owed, stay *assess.StayView) clearance {
	v := clearance{owed: o, Fall: text.Say("asked.no-fall"), Mind: parts.MindOf(r.t, stay.Assessment)}
	falls := stay.Assessment.Digest.Falls
	for n := range falls { // by time: the latest stays
		if _, blocks := falls[n].BlocksFrom(); blocks || n == len(falls)-1 {
			v.Fall = text.Say("asked.fell", r.t.Time(falls[n].At), text.Injury(falls[n].Injury))
			v.Bleeds = text.Bleeds(falls[n])
		}
	}
	return v
}

// takeSuggestions puts the suggestions that nobody has answered, the latest first.
func (r *reader) takeSuggestions(v *view, _ records.Account) error {
	if r.DoseReviews == nil {
		return nil
	}
	now := r.Clock() // not the page's minute: an answer of seconds ago counts
	list, more, err := r.DoseReviews.SuggestionsMade(r.ctx, r.units, now.AddDate(0, 0, -suggestedDays), now, mostReviews)
	if err != nil {
		return err
	}
	if more > 0 {
		v.Left = text.Say("asked.left", more)
	}
	for _, review := range list {
		a := review.Last(records.Answered)
		if review.Last(records.TakenBack) != nil || a != nil && a.Answer != dosereview.Thinks {
			continue
		}
		stay, err := r.stay(review.StayID)
		if err != nil {
			return err
		}
		if stay == nil || stay.Assessment.Digest.Stay.DischargedAt != nil || stay.Assessment.Died() {
			continue
		}
		v.Suggestions = append(v.Suggestions, r.suggestionOf(review, stay))
	}
	return nil
}

func (r *reader) suggestionOf(review records.DoseReview, stay *assess.StayView) suggestion {
	number := strconv.FormatInt(review.Number, 10)
	v := suggestion{
		patient: r.patientOf(stay), ID: "s-" + frame.Segment(review.StayID) + "-" + number,
		At: r.t.MomentAgo(review.At), Who: review.Who, Note: review.Note,
		URL: frame.AskedURL + "/" + frame.Segment(review.StayID) + "/reviews/" + number,
	}
	if review.Last(records.Answered) != nil {
		v.Answered = parts.AnswerTo(r.t, review)
	}
	hours := stay.Policy.Policy.Drugs.DoseEffectHours
	for _, s := range review.Suggestions {
		v.Suggests = append(v.Suggests, parts.SuggestionOf(s))
		for _, d := range stay.Assessment.Digest.Serial.Doses {
			if d.Drug == s.Drug {
				v.Sets = append(v.Sets, text.AroundDose(d, hours))
			}
		}
	}
	for _, answer := range dosereview.Answers {
		v.Answers = append(v.Answers, parts.ChoiceView{Value: answer, Text: text.SuggestionAnswers[answer]})
	}
	return v
}

// takeDone puts the clearances of the last hours that this account has charted here.
func (r *reader) takeDone(v *view, a records.Account) error {
	if r.Episodes == nil || r.Facts == nil {
		return nil
	}
	from := r.t.At.Add(-answeredHours * time.Hour)
	for _, unit := range r.units {
		ended, err := r.Episodes.Ended(r.ctx, unit, from, r.t.At.Add(time.Microsecond))
		if err != nil {
			return err
		}
		for _, h := range ended {
			if h.Episode.Kind != episodes.ClearanceOwed {
				continue
			}
			stay, err := r.stay(h.Episode.StayID)
			if err != nil {
				return err
			}
			if stay != nil {
				v.Done = append(v.Done, r.doneOf(stay, a.Name, from)...)
			}
		}
	}
	return nil
}

func (r *reader) doneOf(stay *assess.StayView, who string, from time.Time) []doneView {
	var out []doneView
	for _, f := range clearedBy(stay.Assessment, who, from) {
		out = append(out, doneView{
			patient: r.patientOf(stay), Fact: f.SourceID,
			Action: frame.AskedURL + "/" + frame.Segment(stay.Assessment.Digest.StayID) + "/clearance/take-back",
			Says:   text.Say("asked.cleared", r.t.Time(f.At)),
		})
	}
	return out
}

// clearedBy are the clearances that somebody charted here since a moment.
func clearedBy(a alerts.Assessment, who string, from time.Time) []trends.ClearanceFact {
	return slices.DeleteFunc(slices.Clone(a.Digest.Clearances), func(f trends.ClearanceFact) bool {
		return f.By != who || f.At.Before(from) || bedside.FormOf(f.SourceID) == ""
	})
}
