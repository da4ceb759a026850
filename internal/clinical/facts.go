package clinical

import "time"

// Kind is the kind of a fact; the words are those of the CSV feed's file names.
type Kind string

// The kinds of facts.
const (
	KindStay        Kind = "stays"
	KindVitals      Kind = "vitals"
	KindOrder       Kind = "orders"
	KindDose        Kind = "doses"
	KindFluid       Kind = "fluids"
	KindWeight      Kind = "weights"
	KindLab         Kind = "labs"
	KindCondition   Kind = "conditions"
	KindPrecaution  Kind = "precautions"
	KindFall        Kind = "falls"
	KindRestriction Kind = "restrictions"
	KindClearance   Kind = "clearances"
	KindAnswer      Kind = "answers"
	KindTreatment   Kind = "treatments"
)

// Kinds lists every kind in the order in which people read a chart.
var Kinds = []Kind{
	KindStay, KindVitals, KindOrder, KindDose, KindFluid, KindWeight, KindLab,
	KindCondition, KindPrecaution, KindFall, KindRestriction, KindClearance, KindAnswer, KindTreatment,
}

// Status is the status of a version of a fact.
type Status string

// Statuses of measurements, orders and administrations.
const (
	Final          Status = "final"
	Amended        Status = "amended"
	Corrected      Status = "corrected"
	EnteredInError Status = "entered-in-error"

	Active    Status = "active"
	OnHold    Status = "on-hold"
	Stopped   Status = "stopped"
	Completed Status = "completed"
	Cancelled Status = "cancelled"
	NotDone   Status = "not-done"
)

// Version is one version of a fact about one stay. It is never changed in
// place: a correction is a further version with a later RecordedAt.
type Version struct {
	Kind     Kind
	SourceID string // the fact's identity in its source, unique within a kind; the stay_id for stays
	StayID   string // the stay it speaks of; may be empty in a retraction

	// PatientID names the patient where the source names no stay; see OfPatient.
	PatientID string

	// RecordedAt is when the version was charted or sent. Where the source did
	// not say, Stated is false and RecordedAt is the fact's own time; each
	// further time in the row (an end, a discharge) is then known only at that
	// time. It is the zero time for a condition whose source did not say: that
	// is known from admission.
	RecordedAt time.Time
	Stated     bool

	Status Status
	Body   Body // nil in a retraction that carries nothing but its identity

	// Where it stood: of two versions recorded at one moment the later row of
	// one file counts, and among files the one last in byte order of the name.
	// Reading orders the times that files were read: where a file was read again
	// after it had changed, what it says now counts.
	Feed    string
	File    string
	Reading int64
	Line    int
}

// Removed reports whether the version takes the fact back.
func (v Version) Removed() bool { return v.Status == EnteredInError }

// Before orders the versions of one fact: the last one counts.
func (v Version) Before(w Version) bool {
	if !v.RecordedAt.Equal(w.RecordedAt) {
		return v.RecordedAt.Before(w.RecordedAt)
	}
	if v.File != w.File {
		return v.File < w.File
	}
	if v.Reading != w.Reading {
		return v.Reading < w.Reading
	}
	return v.Line < w.Line
}

// Body is what a fact says; one type for each kind.
type Body interface {
	// FactKind is the kind of fact that carries this body.
	FactKind() Kind
	// OwnTime is the time that the fact speaks of; the zero time where it has none.
	OwnTime() time.Time
	// Values are the columns of the feed after unit conversion, without the
	// identity, own time, recorded_at and status. A column without a value is nil.
	Values() map[string]any
	// asKnownAt hides the times that were not known yet at t, for a row whose
	// source gave no recorded_at.
	asKnownAt(t time.Time) Body
	// times lists every moment that the body names.
	times() []time.Time
}

// Stay is a patient's stay on a unit; a transfer is a later version.
type Stay struct {
	PatientID     string     `json:"patient_id"`
	Unit          string     `json:"unit"`
	Bed           string     `json:"bed,omitempty"`
	Name          string     `json:"name,omitempty"`
	BirthDate     string     `json:"birth_date,omitempty"` // YYYY-MM-DD; empty where unknown or partial
	Sex           string     `json:"sex,omitempty"`
	AdmittedAt    time.Time  `json:"admitted_at"`
	DischargedAt  *time.Time `json:"discharged_at,omitempty"`
	NotAmbulatory bool       `json:"not_ambulatory,omitempty"` // charted as unable to walk
}

// Position is a body position; the empty one was not charted.
type Position string

// The positions, lowest first.
const (
	NoPosition Position = ""
	Lying      Position = "lying"
	Sitting    Position = "sitting"
	Standing   Position = "standing"
)

// Height ranks positions, lowest first; an uncharted one comes last.
func (p Position) Height() int {
	switch p {
	case Lying:
		return 0
	case Sitting:
		return 1
	case Standing:
		return 2
	}
	return 3
}

// Vitals is a reading of pressure and pulse. Pressures are mmHg, converted
// without rounding; pulse is beats/min; nil is not charted.
type Vitals struct {
	TakenAt           time.Time `json:"taken_at"`
	Systolic          *float64  `json:"systolic,omitempty"`
	Diastolic         *float64  `json:"diastolic,omitempty"`
	HeartRate         *float64  `json:"heart_rate,omitempty"`
	Position          Position  `json:"position,omitempty"`
	Limb              string    `json:"limb,omitempty"`
	MinutesInPosition *float64  `json:"minutes_in_position,omitempty"`
	SetID             string    `json:"set_id,omitempty"`
	Symptoms          []string  `json:"symptoms,omitempty"`
	StoppedEarly      bool      `json:"stopped_early,omitempty"`
	PressureUnit      string    `json:"pressure_unit,omitempty"` // the unit as charted, empty for mm[Hg]
}

// Drug names a drug as its source did.
type Drug struct {
	Text   string `json:"drug"`
	ATC    string `json:"atc,omitempty"`
	RxNorm string `json:"rxnorm,omitempty"`
}

// Order is a prescription as one version of it stands.
type Order struct {
	Drug
	Dose        *float64   `json:"dose,omitempty"`
	DoseUnit    string     `json:"dose_unit,omitempty"`
	Route       string     `json:"route,omitempty"`
	TimesPerDay *float64   `json:"times_per_day,omitempty"`
	StartAt     time.Time  `json:"start_at"`
	EndAt       *time.Time `json:"end_at,omitempty"`
	AsNeeded    bool       `json:"as_needed,omitempty"`
	NewDrug     bool       `json:"new_drug,omitempty"` // not taken before admission

	// EndUnknown says of an order that has ended that its source does not tell when: the
	// recording of the version is not its end. First seen so, it is shown, and ran at no
	// time that anybody knows.
	EndUnknown bool `json:"end_unknown,omitempty"`
}

// Dose is one administration, given (Completed) or not.
type Dose struct {
	Drug
	GivenAt  time.Time `json:"given_at"`
	OrderID  string    `json:"order_id,omitempty"`
	Dose     *float64  `json:"dose,omitempty"`
	DoseUnit string    `json:"dose_unit,omitempty"`
	Route    string    `json:"route,omitempty"`
}

// Fluid is an intake or an output over a time, in mL.
type Fluid struct {
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	Direction string    `json:"direction"` // in or out
	VolumeML  float64   `json:"volume_ml"`
	What      string    `json:"kind,omitempty"`
}

// Weight is a body weight in kg.
type Weight struct {
	MeasuredAt time.Time `json:"measured_at"`
	KG         float64   `json:"kg"`
}

// Haemoglobin is LOINC 718-7, haemoglobin in blood, the one laboratory value
// that a rule uses; its value is kept in g/dL.
const Haemoglobin = "718-7"

// Lab is a laboratory value in the unit named.
type Lab struct {
	TakenAt time.Time `json:"taken_at"`
	LOINC   string    `json:"loinc"`
	Value   float64   `json:"value"`
	Unit    string    `json:"unit,omitempty"`
}

// Condition is a coded diagnosis of the stay.
type Condition struct {
	ICD10 string `json:"icd10"`
	Text  string `json:"text,omitempty"`
}

// Precaution is a falls precaution in place over a time.
type Precaution struct {
	Precaution string     `json:"precaution"`
	StartedAt  time.Time  `json:"started_at"`
	EndedAt    *time.Time `json:"ended_at,omitempty"`
}

// Fall is a fall; Injury is empty where it was not charted.
type Fall struct {
	FellAt   time.Time `json:"fell_at"`
	Injury   string    `json:"injury,omitempty"`
	Assisted *bool     `json:"assisted,omitempty"`
}

// Restriction is a limb that must not be measured, over a time. StartedAt is the zero
// time in a version that does not say it: the recording of the fact's first version
// stands for it, and ChartAt fills that in.
type Restriction struct {
	Limb      string     `json:"limb"`   // of Limbs
	Reason    string     `json:"reason"` // of RestrictionReasons
	StartedAt time.Time  `json:"started_at,omitzero"`
	EndedAt   *time.Time `json:"ended_at,omitempty"`
}

// Clearance is a provider's word that the patient may stand (again).
type Clearance struct {
	ClearedAt time.Time `json:"cleared_at"`
	By        string    `json:"by,omitempty"`
}

// Answer says why a recheck that is owed is not taken now.
type Answer struct {
	AnsweredAt time.Time `json:"answered_at"`
	Answer     string    `json:"answer"` // of Answers
	Reason     string    `json:"reason,omitempty"`
}

// Treatment is something done about a pressure that falls.
type Treatment struct {
	GivenAt time.Time `json:"given_at"`
	What    string    `json:"kind,omitempty"`
}

// FactKind implements Body.
func (Stay) FactKind() Kind        { return KindStay }
func (Vitals) FactKind() Kind      { return KindVitals }
func (Order) FactKind() Kind       { return KindOrder }
func (Dose) FactKind() Kind        { return KindDose }
func (Fluid) FactKind() Kind       { return KindFluid }
func (Weight) FactKind() Kind      { return KindWeight }
func (Lab) FactKind() Kind         { return KindLab }
func (Condition) FactKind() Kind   { return KindCondition }
func (Precaution) FactKind() Kind  { return KindPrecaution }
func (Fall) FactKind() Kind        { return KindFall }
func (Restriction) FactKind() Kind { return KindRestriction }
func (Clearance) FactKind() Kind   { return KindClearance }
func (Answer) FactKind() Kind      { return KindAnswer }
func (Treatment) FactKind() Kind   { return KindTreatment }

// OwnTime implements Body. A fluid's own time, for recorded_at, is its end.
func (b Stay) OwnTime() time.Time        { return b.AdmittedAt }
func (b Vitals) OwnTime() time.Time      { return b.TakenAt }
func (b Order) OwnTime() time.Time       { return b.StartAt }
func (b Dose) OwnTime() time.Time        { return b.GivenAt }
func (b Fluid) OwnTime() time.Time       { return b.To }
func (b Weight) OwnTime() time.Time      { return b.MeasuredAt }
func (b Lab) OwnTime() time.Time         { return b.TakenAt }
func (Condition) OwnTime() time.Time     { return time.Time{} }
func (b Precaution) OwnTime() time.Time  { return b.StartedAt }
func (b Fall) OwnTime() time.Time        { return b.FellAt }
func (b Restriction) OwnTime() time.Time { return b.StartedAt }
func (b Clearance) OwnTime() time.Time   { return b.ClearedAt }
func (b Answer) OwnTime() time.Time      { return b.AnsweredAt }
func (b Treatment) OwnTime() time.Time   { return b.GivenAt }

func hideAfter(end *time.Time, t time.Time) *time.Time {
	if end != nil && end.After(t) {
		return nil
	}
	return end
}

func (b Stay) asKnownAt(t time.Time) Body {
	b.DischargedAt = hideAfter(b.DischargedAt, t)
	return b
}

func (b Order) asKnownAt(t time.Time) Body {
	b.EndAt = hideAfter(b.EndAt, t)
	return b
}

func (b Precaution) asKnownAt(t time.Time) Body {
	b.EndedAt = hideAfter(b.EndedAt, t)
	return b
}

func (b Restriction) asKnownAt(t time.Time) Body {
	b.EndedAt = hideAfter(b.EndedAt, t)
	return b
}

func (b Vitals) asKnownAt(time.Time) Body    { return b }
func (b Dose) asKnownAt(time.Time) Body      { return b }
func (b Fluid) asKnownAt(time.Time) Body     { return b }
func (b Weight) asKnownAt(time.Time) Body    { return b }
func (b Lab) asKnownAt(time.Time) Body       { return b }
func (b Condition) asKnownAt(time.Time) Body { return b }
func (b Fall) asKnownAt(time.Time) Body      { return b }
func (b Clearance) asKnownAt(time.Time) Body { return b }
func (b Answer) asKnownAt(time.Time) Body    { return b }
func (b Treatment) asKnownAt(time.Time) Body { return b }

func withEnd(start time.Time, end *time.Time) []time.Time {
	if end == nil {
		return []time.Time{start}
	}
	return []time.Time{start, *end}
}

func (b Stay) times() []time.Time        { return withEnd(b.AdmittedAt, b.DischargedAt) }
func (b Vitals) times() []time.Time      { return []time.Time{b.TakenAt} }
func (b Order) times() []time.Time       { return withEnd(b.StartAt, b.EndAt) }
func (b Dose) times() []time.Time        { return []time.Time{b.GivenAt} }
func (b Fluid) times() []time.Time       { return []time.Time{b.From, b.To} }
func (b Weight) times() []time.Time      { return []time.Time{b.MeasuredAt} }
func (b Lab) times() []time.Time         { return []time.Time{b.TakenAt} }
func (b Condition) times() []time.Time   { return nil }
func (b Precaution) times() []time.Time  { return withEnd(b.StartedAt, b.EndedAt) }
func (b Fall) times() []time.Time        { return []time.Time{b.FellAt} }
func (b Restriction) times() []time.Time { return withEnd(b.StartedAt, b.EndedAt) }
func (b Clearance) times() []time.Time   { return []time.Time{b.ClearedAt} }
func (b Answer) times() []time.Time      { return []time.Time{b.AnsweredAt} }
func (b Treatment) times() []time.Time   { return []time.Time{b.GivenAt} }
