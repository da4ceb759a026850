package falls

import (
	"net/http"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

func isJustBefore(r frame.SeenFall) bool { return r.At.Equal(assess.JustBefore(r.Fall.FellAt)) }

// fallReviewView is a fall under review, as a page and as a sheet to be printed.
type fallReviewView struct {
	frame.Layout
	Bed, Name, PatientID, Age, StayID, SourceID string
	FellAt                                      *frame.Moment
	Where, Injury, Assisted                     string
	TakenBack                                   *frame.Moment // when it was entered in error
	Versions                                    []versionView
	Bleeding                                    []string      // drugs that make the fall more dangerous, by what is known now
	Given                                       []parts.Given // the last given doses before the fall, by what is known now
	Stay, Falls                                 frame.Link

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
	Moment          *frame.Moment
	Unit, Tier      string
	TierName, Place string
	List, Patient   frame.Link
	Lead            *parts.ReasonView
	Others          []parts.ReasonView
	Latest          *parts.SetLine
	Trend           parts.TrendView
	Recheck         parts.RecheckView
	Rechecks        []owedView
	Precautions     parts.PrecautionsView
	Missing         []owedView
	Lowering        []string
	Load            string
	Changes         []parts.ChangeView
	Last            []parts.LastView
	Causes          []parts.CauseView
	Fluids          []parts.Labelled
	Weight          string
	Flags           []parts.ReasonView
	Walks           string
}

// owedView is something owed at the moment.
type owedView struct {
	What       string
	Since, Due *frame.Moment
	State      string
	Word       string
	Rule       *frame.RuleLink
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
	Due    *frame.Moment
	Read   *parts.SetLine
	First  *parts.SetLine // an earlier one that cannot be read
	Hours  string
	Reason frame.RuleLink
	Before []string // what comes before the patient may stand for one
}

func (s *service) fallPage(c *frame.Request) (frame.Page, error) {
	seen := frame.FallOf(c)
	review, err := s.Falls.ReviewFall(c.Request.Context(), seen.Fall, seen.At, s.Now(c))
	if err != nil {
		return nil, err
	}
	status := http.StatusOK
	if seen.Beyond {
		status = http.StatusUnprocessableEntity
	}
	return frame.Show(status, "fall", s.fallView(c, seen, review))
}

func (s *service) fallView(c *frame.Request, seen frame.SeenFall, r assess.FallReview) fallReviewView {
	d := r.Now.Assessment.Digest
	t := s.Times(s.Now(c), false)
	unit := frame.UnitOfFall(r.Fall)
	v := fallReviewView{
		Layout: s.Layout(c, text.Say("fall.title")),
		Bed:    d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID, Age: parts.AgeOf(d.Stay, t), StayID: d.StayID,
		SourceID: r.SourceID,
		FellAt:   t.MomentAgo(r.FellAt), Where: unit, Injury: text.Injury(r.Injury), Assisted: text.Assisted(r.Assisted),
		Stay:  frame.Link{Name: d.StayID, URL: frame.StayURL(d.StayID)},
		Falls: frame.Link{Name: unit, URL: frame.FallsURL(unit)},
		Asked: seen.At.In(s.Zone).Format("2006-01-02T15:04"), Beyond: seen.Beyond, Said: s.momentWords(seen),
		Span: text.Span(r.FellAt.Sub(seen.At)), After: s.afterView(t, r),
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
				v.TakenBack = t.Moment(known.RecordedAt)
			}
		} else if fell, ok := known.Body.(clinical.Fall); ok && !fell.FellAt.Equal(r.FellAt) {
			line.Says += ", " + t.Time(fell.FellAt)
		}
		v.Versions = append(v.Versions, line)
	}
	v.Moments = s.momentsOf(seen)
	if r.Then != nil && !frame.AccountOf(c).OnUnit(r.Then.Chart.Stay.Unit) {
		v.Hidden = true
		return v
	}
	v.Bleeding = t.Bleeding(r.Now.Assessment.Digest.BleedingOf(r.Now.Chart, r.SourceID, r.FellAt), r.FellAt)
	v.Given = parts.GivenBeforeFall(t, trends.LastGivenAt(r.Now.Chart, r.FellAt), r.FellAt)
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
func (s *service) momentWords(seen frame.SeenFall) string {
	t := s.Catalogue(seen.At)
	if isJustBefore(seen) {
		return text.Say("fall.just-before", t.Time(seen.Fall.FellAt))
	}
	return text.Say("fall.moment", t.Time(seen.At), text.Span(seen.Fall.FellAt.Sub(seen.At)))
}

// momentsOf are the moments that are offered: just before the fall, some hours
// before it, and the last huddle before it.
func (s *service) momentsOf(seen frame.SeenFall) []momentLink {
	fell := seen.Fall.FellAt
	base := frame.FallURL(seen.Fall.SourceID)
	out := []momentLink{{text.Say("fall.preset-before"), base, isJustBefore(seen)}}
	for _, hours := range []int{1, 6, 12, 24} {
		at := fell.Add(-time.Duration(hours) * time.Hour)
		out = append(out, momentLink{text.Say("fall.preset-hours", hours), base + frame.Exactly(at), at.Equal(seen.At)})
	}
	if at, ok := alerts.HuddleBefore(fell, seen.Fall.Now.Policy.Policy.Unit, s.Zone); ok {
		out = append(
			out,
			momentLink{text.Say("fall.preset-huddle", s.Catalogue(at).Time(at)), base + frame.Exactly(at), at.Equal(seen.At)},
		)
	}
	return out
}

func (s *service) thenView(seen frame.SeenFall, r assess.FallReview) *thenView {
	if r.Then == nil {
		return nil
	}
	a := r.Then.Assessment
	d := a.Digest
	t := s.Times(seen.At, false)
	query := frame.Exactly(seen.At)
	v := &thenView{
		Moment: t.Moment(seen.At), Unit: d.Stay.Unit, Tier: a.Tier, TierName: text.TierNames[a.Tier],
		Place:   text.Say("fall.not-listed"),
		List:    frame.Link{Name: d.Stay.Unit, URL: frame.UnitURL(d.Stay.Unit) + query},
		Patient: frame.Link{Name: d.StayID, URL: frame.StayURL(d.StayID) + query},
		Trend:   parts.TrendOf(d.Serial), Recheck: parts.RecheckOf(t, a),
		Precautions: parts.PrecautionsOf(a),
		Load:        text.Load(a.Exposures), Weight: text.Say("fall.weight-unknown"),
		Fluids: []parts.Labelled{
			{Name: "24 h", Text: text.Balance(a.Exposures.Net24)}, {Name: "48 h", Text: text.Balance(a.Exposures.Net48)},
		},
	}
	if r.Rank > 0 {
		v.Place = text.Say("fall.place", r.Rank, r.Patients)
	}
	if reasons := parts.ReasonsOf(t, a); len(reasons) > 0 {
		v.Lead, v.Others = &reasons[0], reasons[1:]
	}
	if set := d.LatestSet(); set != nil {
		v.Latest = parts.SetLineOf(t, d, *set)
	}
	for _, owed := range r.Owed.Rechecks {
		rule := t.Rule(owed.Rule)
		v.Rechecks = append(v.Rechecks, owedView{
			What: text.RecheckWhy(owed.Rule, owed.Drug, owed.Change), Since: t.MomentAgo(owed.Trigger),
			Due:   t.MomentDue(owed.Due),
			State: owed.State, Word: text.RecheckStates[owed.State], Rule: &rule,
		})
	}
	for _, owed := range r.Owed.Precautions {
		v.Missing = append(v.Missing, owedView{What: owed.What, Since: t.MomentAgo(owed.Since)})
	}
	drugs := parts.DrugsOf(t, a)
	v.Lowering, v.Last = drugs.Lowering, drugs.Last
	v.Changes = drugs.Changes[:min(len(drugs.Changes), changesShown)]
	v.Causes = parts.CausesOf(a.Exposures.Contributors)
	if w := d.Weight; w != nil {
		v.Weight = text.Say("fall.weight", text.Signed(w.KG), t.Time(w.From), t.Time(w.To))
	}
	for _, flag := range a.Review.Flags {
		v.Flags = append(v.Flags, parts.ReasonView{Text: t.Flag(flag), Rule: t.Rule(flag.Rule)})
	}
	if d.Stay.NotAmbulatory {
		v.Walks = text.Say("fall.not-ambulatory")
	}
	return v
}

// changesShown are the latest dose changes of the sheet; the patient's page has all.
const changesShown = 6

func laterViewOf(t frame.Times, l alerts.Later) laterView {
	v := laterView{
		Happened: text.Say("fall.no-time"), Recorded: t.Time(l.RecordedAt), Kind: text.FactKinds[l.Kind], ID: l.SourceID,
		What: text.LaterWords[l.What], AfterFall: l.AfterFall, Says: parts.Dash, Before: parts.Dash,
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

func (s *service) afterView(t frame.Times, r assess.FallReview) afterView {
	v := afterView{State: r.After.State, Word: setAfterWord(r.Fall, r.After.State, t.At), Reason: t.Rule(alerts.RFall)}
	if !r.After.DueAt.IsZero() {
		v.Due = t.Moment(r.After.DueAt)
	}
	if awaited := v.State == alerts.SetOpen || v.State == alerts.SetMissing; awaited && !stayOver(r.Fall, t.At) {
		v.Before = text.Missing(r.Now.Assessment.Recheck.Missing) // of this fall, or of another
	}
	if set := r.After.Read; set != nil {
		v.Read = parts.SetLineOf(t, r.Now.Assessment.Digest, *set)
		v.Hours = text.Say("fall.after", text.Span(set.StartedAt.Sub(r.FellAt)))
	}
	if set := r.After.First; set != nil && set != r.After.Read {
		v.First = parts.SetLineOf(t, r.Now.Assessment.Digest, *set)
	}
	return v
}
