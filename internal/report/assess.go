// Package report makes the published JSON documents of assessments: their
// shapes are fixed, so they stand apart from the types that decide.
package report

import (
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// List is the ranked list of a unit as it was known at a moment.
type List struct {
	Unit   string    `json:"unit"`
	AsOf   time.Time `json:"as_of"`
	Policy string    `json:"policy"`
	// NewestVitalsAt and Stale say how new the feed's readings of these patients are.
	NewestVitalsAt *time.Time `json:"newest_vitals_at"`
	Stale          bool       `json:"stale"`
	Patients       []Patient  `json:"patients"`
}

// Patient is one row of the list.
type Patient struct {
	Rank         int           `json:"rank"`
	PatientID    string        `json:"patient_id"`
	StayID       string        `json:"stay_id"`
	Name         string        `json:"name"`
	Bed          string        `json:"bed"`
	Tier         string        `json:"tier"`
	Reasons      []Reason      `json:"reasons"`
	Recheck      Recheck       `json:"recheck"`
	Restrictions []Restriction `json:"restrictions"`
	Precautions  Precautions   `json:"precautions"`
	DoseReview   DoseReview    `json:"dose_review"`
	LatestSet    *trends.Set   `json:"latest_set"`
	Serial       Serial        `json:"serial"`
	Exposures    Exposures     `json:"exposures"`
}

// Reason is a rule that holds, in words.
type Reason struct {
	Rule  string   `json:"rule"`
	Text  string   `json:"text"`
	Facts []string `json:"facts"`
}

// Recheck is the earliest recheck owed.
type Recheck struct {
	State   string      `json:"state"`
	DueAt   *time.Time  `json:"due_at"`
	Rule    trends.Word `json:"rule"`
	Missing []string    `json:"missing"`
	Answer  *Answer     `json:"answer"`
}

// Answer is the answer that moved the recheck.
type Answer struct {
	Answer     string    `json:"answer"`
	Reason     string    `json:"reason"`
	AnsweredAt time.Time `json:"answered_at"`
}

// Restriction is a limb that must not be measured.
type Restriction struct {
	Limb      string    `json:"limb"`
	Reason    string    `json:"reason"`
	StartedAt time.Time `json:"started_at"`
	Facts     []string  `json:"facts"`
}

// Precautions are null where the feeds carry none, and none was charted here.
type Precautions struct {
	Needed  bool     `json:"needed"`
	InPlace []string `json:"in_place"`
	Missing []string `json:"missing"`
}

// DoseReview lists every flag that stands.
type DoseReview struct {
	Needed bool   `json:"needed"`
	Flags  []Flag `json:"flags"`
}

// Flag is one reason for a pharmacist to look.
type Flag struct {
	Rule  string   `json:"rule"`
	Text  string   `json:"text"`
	Drugs []string `json:"drugs"`
	Facts []string `json:"facts"`
}

// Serial holds the findings over the sets of a stay.
type Serial struct {
	Sets            int          `json:"sets"`
	Interpretable   int          `json:"interpretable"`
	Positive        int          `json:"positive"`
	LastPositiveAt  *time.Time   `json:"last_positive_at"`
	NegativesInARow int          `json:"negatives_in_a_row"`
	Cleared         bool         `json:"cleared"`
	ClearMinutes    *float64     `json:"clear_minutes"`
	Slope           *float64     `json:"slope_per_day"`
	SlopeLow        *float64     `json:"slope_low"`
	SlopeHigh       *float64     `json:"slope_high"`
	P               *float64     `json:"p"`
	Trend           string       `json:"trend"`
	Around          []Around     `json:"around_changes"`
	AroundDoses     []AroundDose `json:"around_doses"`
}

// Around compares the drop before and after a drug change.
type Around struct {
	Drug       string    `json:"drug"`
	Change     string    `json:"change"`
	At         time.Time `json:"at"`
	SetsBefore int       `json:"sets_before"`
	SetsAfter  int       `json:"sets_after"`
	Shift      *float64  `json:"shift"`
	ShiftLow   *float64  `json:"shift_low"`
	ShiftHigh  *float64  `json:"shift_high"`
	P          *float64  `json:"p"`
	PSmallest  *float64  `json:"p_smallest"`
	Note       string    `json:"note"`
}

// AroundDose compares the sets soon after a given dose with the others.
type AroundDose struct {
	Drug              string   `json:"drug"`
	SetsAfter         int      `json:"sets_after"`
	PositiveAfter     int      `json:"positive_after"`
	SetsOtherwise     int      `json:"sets_otherwise"`
	PositiveOtherwise int      `json:"positive_otherwise"`
	P                 *float64 `json:"p"`
}

// Exposures are what surrounds the findings.
type Exposures struct {
	Load           *float64            `json:"bp_lowering_load"`
	LoadByGroup    map[string]float64  `json:"load_by_group"`
	LoadFrom       string              `json:"load_from"`
	LoadLeftOut    []string            `json:"load_left_out"`
	Changes        []Change            `json:"changes"`
	LastDoses      []LastDose          `json:"last_doses"`
	LastGiven      []LastGiven         `json:"last_given"`
	Unrecognised   []string            `json:"unrecognised_drugs"`
	NetFluidML     map[string]*float64 `json:"net_fluid_ml"`
	FluidHours     map[string]float64  `json:"fluid_hours_charted"`
	WeightChangeKG *float64            `json:"weight_change_kg"`
	Contributors   []Contributor       `json:"contributors"`
}

// Change is a step of an ordered daily dose.
type Change struct {
	Drug   string    `json:"drug"`
	Change string    `json:"change"`
	At     time.Time `json:"at"`
	From   *float64  `json:"from_daily_dose"`
	To     *float64  `json:"to_daily_dose"`
	Unit   string    `json:"unit"`
}

// LastDose is the last dose of a drug before the latest set.
type LastDose struct {
	Drug    string    `json:"drug"`
	GivenAt time.Time `json:"given_at"`
	Hours   float64   `json:"hours_before_latest_set"`
}

// LastGiven is the last given dose of a drug, and what is charted of it since.
type LastGiven struct {
	Drug         string     `json:"drug"`
	LineOnly     bool       `json:"line_only"`
	Group        string     `json:"group"`
	GivenAt      *time.Time `json:"given_at"`
	Hours        *float64   `json:"hours"`
	Dose         *float64   `json:"dose"`
	DoseUnit     *string    `json:"dose_unit"`
	Ordered      bool       `json:"ordered"`
	AsNeeded     bool       `json:"as_needed"`
	NotDoneSince int        `json:"not_done_since"`
}

// Contributor is something to look at, with its evidence in words.
type Contributor struct {
	Kind     string   `json:"kind"`
	Evidence string   `json:"evidence"`
	Facts    []string `json:"facts"`
}

// ListOf writes a ranked list; p says from when on it is stale.
func ListOf(unit, policyHash string, p clinical.UnitPolicy, list []alerts.Assessment, c text.Catalogue) List {
	fresh := alerts.FreshnessOf(list, p, c.At)
	out := List{
		Unit: unit, AsOf: c.At.UTC(), Policy: policyHash, NewestVitalsAt: utc(fresh.Newest), Stale: fresh.Stale,
		Patients: make([]Patient, 0, len(list)),
	}
	for _, a := range list {
		out.Patients = append(out.Patients, PatientOf(a, c))
	}
	return out
}

// PatientOf writes one assessment.
func PatientOf(a alerts.Assessment, c text.Catalogue) Patient {
	stay := a.Digest.Stay
	p := Patient{
		Rank: a.Rank, PatientID: stay.PatientID, StayID: a.Digest.StayID, Name: stay.Name, Bed: stay.Bed,
		Tier: a.Tier, Reasons: []Reason{},
		Recheck: Recheck{
			State: a.Recheck.State, DueAt: utc(a.Recheck.DueAt), Rule: trends.Word(a.Recheck.Rule),
			Missing: text.Missing(a.Recheck.Missing), Answer: answerOf(a.Recheck.Answer),
		},
		Restrictions: []Restriction{},
		Precautions:  Precautions{a.Precautions.Needed, a.Precautions.InPlace, a.Precautions.Missing},
		DoseReview:   DoseReview{Needed: a.Review.Needed, Flags: []Flag{}},
		LatestSet:    latest(a),
		Serial:       serialOf(a.Digest.Serial),
		Exposures:    exposuresOf(a),
	}
	for _, r := range a.Restrictions() {
		p.Restrictions = append(p.Restrictions, Restriction{r.Limb, r.Reason, r.From.UTC(), []string{r.SourceID}})
	}
	for _, r := range a.Reasons {
		p.Reasons = append(p.Reasons, Reason{r.Rule, c.Reason(r), list(r.Facts)})
	}
	for _, f := range a.Review.Flags {
		p.DoseReview.Flags = append(p.DoseReview.Flags, Flag{f.Rule, c.Flag(f), list(f.Drugs), list(f.Facts)})
	}
	return p
}

// latest is the latest set as documents give it, nil without one.
func latest(a alerts.Assessment) *trends.Set {
	set := a.Digest.LatestSet()
	if set == nil {
		return nil
	}
	s := shown(*set)
	return &s
}

func answerOf(a *trends.AnswerFact) *Answer {
	if a == nil {
		return nil
	}
	return &Answer{a.Answer, a.Reason, a.At.UTC()}
}

// list writes an empty list rather than null.
func list(values []string) []string {
	if values == nil {
		return []string{}
	}
	return values
}

func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	u := t.UTC()
	return &u
}

func serialOf(s trends.Serial) Serial {
	out := Serial{
		Sets: s.Sets, Interpretable: s.Interpretable, Positive: s.Positive, LastPositiveAt: utc(s.LastPositiveAt),
		NegativesInARow: s.NegativesInARow, Cleared: s.Cleared, ClearMinutes: s.ClearMinutes,
		Slope: s.Slope, SlopeLow: s.SlopeLow, SlopeHigh: s.SlopeHigh, P: s.P, Trend: s.Trend, Around: []Around{},
		AroundDoses: []AroundDose{},
	}
	for _, a := range s.Around {
		note := ""
		if a.TooFew {
			note = text.Around(a)
		}
		out.Around = append(out.Around, Around{
			a.Drug, a.Change, a.At.UTC(), a.SetsBefore, a.SetsAfter, a.Shift.Shift, a.Low, a.High, a.P, a.PSmallest, note,
		})
	}
	for _, d := range s.Doses {
		out.AroundDoses = append(out.AroundDoses, AroundDose(d))
	}
	return out
}

func exposuresOf(a alerts.Assessment) Exposures {
	d, e := a.Digest, a.Exposures
	out := Exposures{
		Load: e.Load, LoadByGroup: e.LoadByGroup, LoadFrom: e.LoadFrom, LoadLeftOut: list(e.LoadLeftOut),
		Changes: []Change{}, LastDoses: []LastDose{}, LastGiven: []LastGiven{}, Unrecognised: list(d.Unrecognised),
		NetFluidML:   map[string]*float64{"24h": e.Net24.NetML, "48h": e.Net48.NetML},
		FluidHours:   map[string]float64{"24h": e.Net24.Hours, "48h": e.Net48.Hours},
		Contributors: []Contributor{},
	}
	if d.Weight != nil {
		out.WeightChangeKG = &d.Weight.KG
	}
	for _, c := range d.Changes {
		out.Changes = append(out.Changes, Change{c.Drug, c.Change, c.At.UTC(), c.From, c.To, c.Unit})
	}
	reference := a.At
	if set := d.LatestSet(); set != nil {
		reference = set.StartedAt
	}
	for _, l := range d.LastDoses {
		out.LastDoses = append(out.LastDoses, LastDose{l.Drug, l.GivenAt.UTC(), reference.Sub(l.GivenAt).Hours()})
	}
	for _, g := range e.LastGiven {
		out.LastGiven = append(out.LastGiven, lastGivenOf(g))
	}
	for _, c := range e.Contributors {
		out.Contributors = append(out.Contributors, Contributor{c.Kind, text.Evidence(c), list(c.Facts)})
	}
	return out
}

func lastGivenOf(g trends.LastGiven) LastGiven {
	out := LastGiven{
		Drug: g.Name, LineOnly: g.LineOnly, Group: g.ExposedGroup(), GivenAt: utc(g.GivenAt), Hours: g.Hours, Dose: g.Dose,
		Ordered: g.Ordered, AsNeeded: g.AsNeeded(), NotDoneSince: g.NotDoneSince,
	}
	if g.GivenAt != nil {
		out.DoseUnit = &g.DoseUnit
	}
	return out
}
