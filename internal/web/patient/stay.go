package patient

import (
	"net/http"
	"slices"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/charts"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// stayView is one patient.
type stayView struct {
	frame.Layout
	Moment *frame.Moment
	AsOf   bool
	Self   string
	Unit   frame.Link
	// Handover is the state of the patient as plain text.
	Handover string
	Notes    *parts.Notes // for the handover; nil where none are kept
	ToRecord []string     // what of the stay is not in the record

	Bed, Name, PatientID, Sex, Age, StayID string
	Admitted, Discharged                   *frame.Moment
	Walks                                  string
	Limbs                                  []limbView  // that must not be measured
	Low                                    *parts.Low  // a low pressure at rest that no reason tells
	Chest                                  *parts.Low  // pain in the chest at a set of the last hours
	Emergencies                            []parts.Low // that no rule of the list tells
	Told                                   []toldView  // of the emergencies of sets taken here

	Tier, TierName string
	Lead           *parts.ReasonView
	Others         []parts.ReasonView
	Recheck        parts.RecheckView
	Open           []openRecheck
	Precautions    parts.PrecautionsView
	Place          *precautionForm // nil for who charts none
	ReviewNeeded   bool
	Died           bool // of a fall: nothing is owed
	Flags          []parts.ReasonView
	DoseReviews    []parts.ReviewLine // recorded, the latest first
	ReviewURL      string             // "" where the account records none
	Latest         *parts.SetLine
	TakeSet        string // where a set is taken; "" for who may not

	Counts, Clearing string
	Quiet            string   // that the feeds have brought no vital sign for long; "" else
	ClearMinutes     string   // for how many minutes a patient stands to be cleared; "" with nothing to clear
	Needed           []string // what would clear the stay
	ClearingRun      int      // negative sets that count so far
	ClearNegatives   int      // that it takes
	Trend            parts.TrendView
	Course           string // the trend in full
	Around           []aroundView
	FlagCount        string
	Bleeding         []string     // by the fall that put the patient on the list; nil without one
	Contents         []frame.Link // of the page
	History          string       // where everything charted is shown

	Episodes []parts.Episode

	Charts    charts.StayCharts
	Apart     string // that names given by then do not show; "" where they do
	HasScript bool   // the charting script is embedded
	Sets      []parts.Set
	Printed   charts.Table // of the latest sets, in place of all
	// PrintedLess is how many sets a print leaves off.
	PrintedLess int
	Drugs       parts.Drugs
	Given       []parts.Given // the last given doses before now
	AfterDoses  []string      // of each drug, sets soon after a dose and the others
	Causes      []parts.CauseView
	Fluids      []parts.Labelled
	Weight      string
	Falls       []fallView
	Conditions  []clinical.Condition
	Treatments  []parts.Labelled
}

// limbView is a limb that must not be measured. Form is the id of the form that takes it
// back, "" where the reader cannot.
type limbView struct{ Text, ID, Form string }

type openRecheck struct {
	Due  *frame.Moment
	Why  string
	Rule frame.RuleLink
}

type aroundView struct {
	What string
	At   *frame.Moment
	Says string
}

type fallView struct {
	At       *frame.Moment
	Injury   string
	Assisted string
	ID       string
	URL      string   // of the page after the fall
	Bleeding []string // drugs that make it more dangerous
}

func (s *service) stayPage(c *frame.Request) (frame.Page, error) {
	when, view := frame.StayOf(c).When, frame.StayOf(c).View
	title := text.Say("stay.title-stay", view.Assessment.Digest.StayID)
	if bed := view.Assessment.Digest.Stay.Bed; bed != "" {
		title = text.Say("stay.title-bed", bed)
	}
	if when.Live && c.Query("charted") != "" { // what was charted within this minute is shown
		now, err := s.Finder.Stay(c.Request.Context(), view.Assessment.Digest.StayID, s.Clock())
		if err != nil {
			return nil, err
		}
		view = now
	}
	v := s.stayView(s.Layout(c, title), when, view)
	a := view.Assessment
	if unit := a.Digest.Stay.Unit; len(v.Old) == 0 && s.Quiet(c.Request.Context(), unit, when.At, a)(a) {
		v.Quiet = s.Times(when.At, when.Live).Quiet(a.Digest.NewestVitals)
	}
	told, err := s.toldOf(c, when, a)
	if err != nil {
		return nil, err
	}
	v.Told = told
	by, err := s.chartedBy(c.Request.Context(), a.Digest.StayID)
	if err != nil {
		return nil, err
	}
	v.nameTakers(a.Digest.Sets, by)
	shown, notes, err := s.notesOf(c, when, a)
	if err != nil {
		return nil, err
	}
	v.Notes = shown
	if when.Live {
		if v.ToRecord, err = s.notInTheChart(c, view.Chart); err != nil {
			return nil, err
		}
	}
	if v.Episodes, v.Handover, err = s.stayEpisodes(c, when, view.Assessment, notes); err != nil {
		return nil, err
	}
	if s.Episodes != nil && !when.Live {
		apart, err := s.Episodes.NamedApart(c.Request.Context(), when.At)
		if err != nil {
			return nil, err
		}
		if !apart.IsZero() {
			v.Apart = text.Say("parts.named-apart", s.Catalogue(when.At).Time(apart))
		}
	}
	v.Place = s.precautionFormOf(c, when, view.Assessment)
	if err := s.takeReviews(c, &v, when); err != nil {
		return nil, err
	}
	if when.Live && frame.AccountOf(c).May(records.RecordSet) {
		v.TakeSet = frame.SetURL(v.StayID)
		for n, limb := range v.Limbs {
			if bedside.FormOf(limb.ID) != "" { // charted here
				v.Limbs[n].Form = bedside.NewID()
			}
		}
	}
	return frame.Show(http.StatusOK, "stay", v)
}

func (s *service) stayView(f frame.Layout, when frame.Asked, view assess.StayView) stayView {
	a := view.Assessment
	d := a.Digest
	t := s.Times(when.At, when.Live)
	query := frame.AsOfQuery(when.At)
	if when.Live {
		f, query = f.Live(when.At), ""
	}
	v := stayView{
		Layout: f, Moment: t.Moment(when.At), AsOf: !when.Live, Self: frame.StayURL(d.StayID),
		Unit: frame.Link{Name: d.Stay.Unit, URL: frame.UnitURL(d.Stay.Unit) + query},
		Bed:  d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID, Sex: d.Stay.Sex, StayID: d.StayID,
		Age: parts.AgeOf(d.Stay, t), Admitted: t.MomentAgo(d.Stay.AdmittedAt),
		Tier: a.Tier, TierName: text.TierNames[a.Tier],
		Recheck: parts.RecheckOf(t, a), Precautions: parts.PrecautionsOf(a),
		ReviewNeeded: a.Review.Needed && !a.Died(), Died: a.Died(),
		Counts: text.Counts(d.Serial), Clearing: t.Clearing(d.Serial, view.Policy.Policy),
		Trend: parts.TrendOf(d.Serial), Low: parts.LowOf(t, a.LowApart()),
		Chest:       parts.ChestOf(t, a.ChestPain),
		Emergencies: parts.EmergenciesOf(t, a.Emergencies),
		HasScript:   s.AssetURL("vendor/echarts.min.js") != "",
	}
	if a.Died() {
		v.Clearing = text.Say("stay.died-clearing")
	}
	if d.Stay.DischargedAt != nil {
		v.Discharged = t.Moment(*d.Stay.DischargedAt)
	}
	if m := d.Serial.ClearMinutes; m != nil && !a.Died() {
		v.ClearMinutes = text.Say("stay.clear-minutes", text.Figure(*m))
	}
	for _, r := range a.Restrictions() {
		v.Limbs = append(v.Limbs, limbView{Text: t.Restriction(r), ID: r.SourceID})
	}
	if d.Stay.NotAmbulatory {
		v.Walks = text.Say("stay.not-ambulatory")
	}
	if reasons := parts.ReasonsOf(t, a); len(reasons) > 0 {
		v.Lead, v.Others = &reasons[0], reasons[1:]
	}
	for n, i := range a.Recheck.Open {
		if n > 0 { // the first one is the recheck itself
			v.Open = append(v.Open, openRecheck{parts.DueOf(t, a.Recheck.State, i.Due), text.RecheckWhy(i.Rule, i.Drug, i.Change), t.Rule(i.Rule)})
		}
	}
	for _, flag := range a.Review.Flags {
		v.Flags = append(v.Flags, parts.ReasonView{Text: t.Flag(flag), Rule: t.Rule(flag.Rule)})
	}
	v.Course = text.Course(d.Serial, view.Policy.Policy.Serial)
	if needs, ok := trends.ClearingNeeds(d, view.Policy.Policy); ok && !a.Died() {
		v.Needed = t.Needed(needs, view.Policy.Policy)
		if stand := text.StandFor(d.Serial); stand != "" {
			v.Needed = append([]string{stand}, v.Needed...)
		}
		v.ClearingRun, v.ClearNegatives = d.Serial.ClearingRun, view.Policy.Policy.Serial.ClearNegatives
	}
	v.FlagCount = flagCount(a.Review.Flags)
	if set := d.LatestSet(); set != nil {
		v.Latest = parts.SetLineOf(t, d, *set)
	}
	for _, around := range d.Serial.Around {
		v.Around = append(v.Around, aroundView{around.Drug + " " + around.Change, t.Moment(around.At), text.Around(around)})
	}
	v.Charts = charts.Of(view, view.Policy.Policy, t.Catalogue)
	sets := v.Charts.Panels[0].Table
	v.Printed, v.PrintedLess = latestRows(sets), max(0, len(sets.Rows)-printedSets)
	for n := len(d.Sets) - 1; n >= 0; n-- {
		set := parts.SetOf(t, d, d.Sets[n])
		set.Near = parts.NearOf(d.Sets, d.Sets[n])
		v.Sets = append(v.Sets, set)
	}
	v.AfterDoses = parts.AroundDosesOf(d.Serial, view.Policy.Policy)
	v.Drugs, v.Given = parts.DrugsOf(t, a), parts.GivenOf(t, a.Exposures.LastGiven)
	v.Causes = parts.CausesOf(a.Exposures.Contributors)
	v.Fluids = []parts.Labelled{
		{Name: text.Say("stay.last-hours", 24), Text: text.Balance(a.Exposures.Net24)},
		{Name: text.Say("stay.last-hours", 48), Text: text.Balance(a.Exposures.Net48)},
	}
	v.Weight = text.Say("stay.weight-unknown")
	if w := d.Weight; w != nil {
		v.Weight = text.Say("stay.weight-change", text.Signed(w.KG), t.Time(w.From), t.Time(w.To))
	}
	v.takeChart(t, view.Chart, d)
	if len(v.Falls) > 0 && fellRecently(a) {
		v.Bleeding = v.Falls[0].Bleeding
	}
	v.History = frame.HistoryURL(d.StayID) + query
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

// flagCount says how many flags stand, and how many of them ask for a review where not all do: the list
// counts those.
func flagCount(flags []alerts.Flag) string {
	asking := 0
	for _, f := range flags {
		if f.Asks() {
			asking++
		}
	}
	switch n := len(flags); {
	case n == 0:
		return text.Say("stay.no-flag")
	case n == 1:
		return text.Say("stay.one-flag")
	case asking < n:
		return text.Say("stay.flags-of", text.Say("stay.some-flags", n), asking)
	default:
		return text.Say("stay.some-flags", n)
	}
}

// fellRecently reports whether a fall is among the reasons for the patient's place.
func fellRecently(a alerts.Assessment) bool {
	return slices.ContainsFunc(
		a.Reasons, func(r alerts.Reason) bool { return r.Rule == alerts.TFall || r.Rule == alerts.TFell },
	)
}

// contentsOf lists the parts of the page that lie below its first screen.
func contentsOf(v stayView) []frame.Link {
	out := []frame.Link{}
	if len(v.Episodes) > 0 {
		out = append(out, frame.Link{Name: text.Say("stay.to-episodes"), URL: "#h-episodes"})
	}
	return append(out,
		frame.Link{Name: text.Say("stay.to-charts"), URL: "#h-charts"},
		frame.Link{Name: text.Say("stay.to-sets"), URL: "#h-sets"},
		frame.Link{Name: text.Say("stay.to-drugs"), URL: "#h-drugs"},
		frame.Link{Name: text.Say("stay.to-contributors"), URL: "#h-around"},
		frame.Link{Name: text.Say("stay.to-falls"), URL: "#h-falls"},
		frame.Link{Name: text.Say("stay.to-history"), URL: v.History},
	)
}

// takeChart lists what is shown as it was charted.
func (v *stayView) takeChart(t frame.Times, c clinical.Chart, d trends.Digest) {
	for _, r := range c.Records {
		if r.Body.OwnTime().After(c.AsOf) {
			continue
		}
		switch b := r.Body.(type) {
		case clinical.Fall:
			f := fallView{
				At: t.MomentAgo(b.FellAt), Injury: text.Injury(b.Injury), Assisted: text.Assisted(b.Assisted), ID: r.SourceID,
				URL: frame.FallURL(r.SourceID),
			}
			f.Bleeding = t.Bleeding(d.BleedingOf(c, r.SourceID, b.FellAt), b.FellAt)
			v.Falls = append(v.Falls, f)
		case clinical.Condition:
			v.Conditions = append(v.Conditions, b)
		case clinical.Treatment:
			what := b.What
			if what == "" {
				what = text.Say("stay.kind-unknown")
			}
			v.Treatments = append(v.Treatments, parts.Labelled{Name: t.Time(b.GivenAt), Text: what})
		}
	}
	slices.Reverse(v.Falls)
}

// nameTakers says of the sets that were taken at the bedside who took them. The page has the
// sets of the digest in reverse.
func (v *stayView) nameTakers(sets []trends.Set, by charted) {
	for n := range v.Sets {
		if who := by.set[sets[len(sets)-1-n].SetID]; who != "" {
			v.Sets[n].Where = text.Say("history.charted-by", who)
		}
	}
}
