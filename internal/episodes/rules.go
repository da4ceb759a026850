package episodes

import (
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
)

// ContradictionRules are the rules of what contradicts itself, and of the feeds.
var ContradictionRules = []clinical.Rule{
	{ID: CImplausible, Source: "V-PLAUSIBLE: policy of the site", Figures: ImplausibleFigures{}},
	{ID: CFatal, Source: consistency, Figures: FatalFigures{}},
	{ID: CBefore, Source: consistency, Figures: BeforeFigures{}},
	{ID: CEnded, Source: consistency, Figures: EndedFigures{}},
	{ID: CTwice, Source: consistency, Figures: TwiceFigures{}},
	{ID: CFeed, Source: "common practice, no source", Figures: FeedFigures{}},
}

const consistency = "two things that cannot both be so"

// Rules is the part of the table of rules by which an episode can be opened.
var Rules = slices.Concat(alerts.TierRules, alerts.RecheckRules, ContradictionRules)

// ImplausibleFigures tell the set that holds a value which cannot be.
type ImplausibleFigures struct {
	SetAt time.Time `json:"set_at"`
}

// FatalFigures tell a fall charted as fatal, and the set after it.
type FatalFigures struct {
	FellAt time.Time `json:"fell_at"`
	SetAt  time.Time `json:"set_at"`
}

// BeforeFigures tell a fall of the stay that is timed before its admission.
type BeforeFigures struct {
	FellAt     time.Time `json:"fell_at"`
	AdmittedAt time.Time `json:"admitted_at"`
}

// EndedFigures tell a precaution that ended before it began.
type EndedFigures struct {
	What string    `json:"what"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// TwiceFigures tell the beds of two stays of one patient, and since when there are two.
type TwiceFigures struct {
	OtherBed   string    `json:"other_bed"`
	Bed        string    `json:"bed"`
	AdmittedAt time.Time `json:"admitted_at"`
}

// FeedFigures tell a feed that is not read.
type FeedFigures struct {
	Feed  string     `json:"feed"`
	Why   string     `json:"why"`   // for people
	Since *time.Time `json:"since"` // of the last that was read of it; nil: nothing ever
}

// Evidence tells by what an episode ended: a set, or a provider's word that the patient may
// stand. It is of no rule.
type Evidence struct {
	SetAt     time.Time `json:"set_at,omitzero"`
	ClearedAt time.Time `json:"cleared_at,omitzero"`
	ClearedBy string    `json:"cleared_by,omitempty"` // as charted; "" where it is not
}

// OfRule marks the figures of a rule.
func (ImplausibleFigures) OfRule() {}
func (FatalFigures) OfRule()       {}
func (BeforeFigures) OfRule()      {}
func (EndedFigures) OfRule()       {}
func (TwiceFigures) OfRule()       {}
func (FeedFigures) OfRule()        {}
func (Evidence) OfRule()           {}

// KeptRules are the rules whose figures an episode or one of its events may keep. The
// one without an id stands for an ending by evidence.
var KeptRules = append(slices.Clone(Rules), clinical.Rule{Figures: Evidence{}})
