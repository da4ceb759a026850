package clinical

import "time"

// Policy holds every number of the rules that a site may change. Fixed figures
// (20 and 10 mmHg, 30/min, 0.5 per mmHg, five minutes lying ...) come from
// published definitions and are constants of the core, not keys here. The keys'
// comments, sources and ranges stand in the embedded policy file.
type Policy struct {
	Plausible   PlausiblePolicy  `yaml:"plausible"`
	Sets        SetPolicy        `yaml:"sets"`
	Serial      SerialPolicy     `yaml:"serial"`
	Drugs       DrugPolicy       `yaml:"drugs"`
	Fluid       FluidPolicy      `yaml:"fluid"`
	Causes      CausePolicy      `yaml:"causes"`
	Recheck     RecheckPolicy    `yaml:"recheck"`
	Precautions PrecautionPolicy `yaml:"precautions"`
	DoseReview  ReviewPolicy     `yaml:"dose_review"`
	Tiers       TierPolicy       `yaml:"tiers"`
	Unit        UnitPolicy       `yaml:"unit"`
}

// PlausiblePolicy bounds the values that are believed (V-PLAUSIBLE), ends
// included: pressures in mmHg, pulse in beats/min.
type PlausiblePolicy struct {
	SystolicMin  float64 `yaml:"systolic_min"`
	SystolicMax  float64 `yaml:"systolic_max"`
	DiastolicMin float64 `yaml:"diastolic_min"`
	DiastolicMax float64 `yaml:"diastolic_max"`
	PulseMin     float64 `yaml:"pulse_min"`
	PulseMax     float64 `yaml:"pulse_max"`
}

// The two ways of reading a drop threshold.
const (
	AtLeast  = "at_least"
	MoreThan = "more_than"
)

// SetPolicy governs how sets are assembled and judged (S-INFER, section 3).
type SetPolicy struct {
	WindowMinutes            float64 `yaml:"window_minutes"`
	Comparison               string  `yaml:"comparison"`
	StandingFromMinutes      float64 `yaml:"standing_from_minutes"`
	StandingToMinutes        float64 `yaml:"standing_to_minutes"`
	PulseRiseNotablePercent  float64 `yaml:"pulse_rise_notable_percent"`
	ClearingStandFromMinutes float64 `yaml:"clearing_stand_from_minutes"`
}

// SerialPolicy governs the findings over a stay (section 4).
type SerialPolicy struct {
	TrendLevel       float64 `yaml:"trend_level"`
	ClearNegatives   int     `yaml:"clear_negatives"`
	ClearHours       float64 `yaml:"clear_hours_apart"`
	AroundDays       float64 `yaml:"around_change_days"`
	ClearDelayed     string  `yaml:"clear_delayed"`
	ClearMinutesMost float64 `yaml:"clear_minutes_most"`
}

// For how long a patient stands to be cleared whose drop came late (T-CLEAR): as long as
// it took to come, or as long as everybody.
const (
	AsLong       = "as_long"
	StandardTime = "standard"
)

// DrugPolicy governs the steps of ordered doses (E-CHANGE).
type DrugPolicy struct {
	RenewalHours   float64 `yaml:"renewal_hours"`
	ResumedHours   float64 `yaml:"resumed_hours"`
	HomeDrugsHours float64 `yaml:"home_drugs_hours"`
	// DoseEffectHours is how long after a given dose a set counts as one after it
	// (T-DOSE).
	DoseEffectHours float64  `yaml:"dose_effect_hours"`
	OfNoConcern     []string `yaml:"of_no_concern"`
}

// FluidPolicy governs when a fluid balance may be used (E-FLUID).
type FluidPolicy struct {
	CoveragePercent float64 `yaml:"coverage_percent"`
}

// CausePolicy holds the thresholds of contributors (E-CAUSE).
type CausePolicy struct {
	Net24hML         float64 `yaml:"net_24h_ml"`
	Net48hML         float64 `yaml:"net_48h_ml"`
	WeightChangeKG   float64 `yaml:"weight_change_kg"`
	GutLosses24hML   float64 `yaml:"gut_losses_24h_ml"`
	HaemoglobinFall  float64 `yaml:"haemoglobin_fall_g_dl"`
	BleedWindowHours float64 `yaml:"bleed_window_hours"`
}

// RecheckPolicy holds the recheck intervals. No published source gives one in
// hours: every number is the site's.
type RecheckPolicy struct {
	FallHours              float64 `yaml:"fall_hours"`
	StoppedHours           float64 `yaml:"stopped_hours"`
	TreatedHours           float64 `yaml:"treated_hours"`
	TreatedMetMinutes      float64 `yaml:"treated_met_from_minutes"`
	PositiveHours          float64 `yaml:"positive_hours"`
	PositiveStableHours    float64 `yaml:"positive_stable_hours"`
	PositiveStableSets     int     `yaml:"positive_stable_sets"`
	RepeatHours            float64 `yaml:"repeat_hours"`
	RepeatQuietHours       float64 `yaml:"repeat_quiet_hours"`
	DrugHours              float64 `yaml:"drug_hours"`
	DrugMetHours           float64 `yaml:"drug_met_from_hours"`
	VolumeNet48hML         float64 `yaml:"volume_net_48h_ml"`
	VolumeQuietHours       float64 `yaml:"volume_quiet_hours"`
	AdmitHours             float64 `yaml:"admit_hours"`
	WeeklyDays             float64 `yaml:"weekly_days"`
	DueWithinHours         float64 `yaml:"due_within_hours"`
	AtRiskAge              int     `yaml:"at_risk_age"`
	ScheduledSoonInHours   float64 `yaml:"scheduled_soon_hours"`
	AnswerHours            float64 `yaml:"answer_hours"`
	AnswerElsewhereHours   float64 `yaml:"answer_elsewhere_hours"`
	AnswersThatCount       int     `yaml:"answers_that_count"`
	AnswersThatCountUrgent int     `yaml:"answers_that_count_urgent"`
}

// PrecautionPolicy names the bundle of falls precautions.
type PrecautionPolicy struct {
	InFeed bool     `yaml:"in_feed"`
	Bundle []string `yaml:"bundle"`
	Added  []string `yaml:"added_after_fall_or_stopped_set"`
}

// ReviewPolicy governs when a dose review is asked for.
type ReviewPolicy struct {
	PositiveHours   float64 `yaml:"positive_hours"`
	RecentHours     float64 `yaml:"recent_change_hours"`
	PeakFromHours   float64 `yaml:"peak_from_hours"`
	PeakToHours     float64 `yaml:"peak_to_hours"`
	RoomSystolic    float64 `yaml:"room_systolic"`
	ManyIngredients int     `yaml:"many_ingredients"`
}

// TierPolicy holds the windows of the tiers.
type TierPolicy struct {
	RecentHours  float64 `yaml:"recent_hours"`
	GapHours     float64 `yaml:"gap_hours"`
	LowDrop      float64 `yaml:"low_standing_min_drop"`
	ClearedHours float64 `yaml:"cleared_hours"`
}

// UnitPolicy holds the unit's clock and how it counts patient-days.
type UnitPolicy struct {
	DayShift        string  `yaml:"day_shift"`   // HH:MM, site zone
	NightShift      string  `yaml:"night_shift"` // HH:MM, site zone
	Huddle          string  `yaml:"huddle"`      // HH:MM, site zone
	PatientDays     string  `yaml:"patient_days"`
	StaleAfterHours float64 `yaml:"stale_after_hours"`
}

// The two ways of counting patient-days.
const (
	ByMidnightCensus = "midnight_census"
	ByHours          = "hours"
)

// Hours makes a duration of a policy number in hours.
func Hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// Minutes makes a duration of a policy number in minutes.
func Minutes(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }

// DefaultPolicy is the policy of the rules as they are published with the
// project. A test holds it equal to the embedded file.
func DefaultPolicy() Policy {
	return Policy{
		Plausible: PlausiblePolicy{SystolicMin: 40, SystolicMax: 300, DiastolicMin: 10, DiastolicMax: 200, PulseMin: 20, PulseMax: 300},
		Sets: SetPolicy{
			WindowMinutes: 15, Comparison: AtLeast, StandingFromMinutes: 0.5, StandingToMinutes: 5.5,
			PulseRiseNotablePercent: 20, ClearingStandFromMinutes: 2,
		},
		Serial: SerialPolicy{TrendLevel: 0.10, ClearNegatives: 2, ClearHours: 8, AroundDays: 7, ClearDelayed: AsLong, ClearMinutesMost: 10},
		Drugs:  DrugPolicy{RenewalHours: 2, ResumedHours: 48, HomeDrugsHours: 12, DoseEffectHours: 4, OfNoConcern: []string{}},
		Fluid:  FluidPolicy{CoveragePercent: 80},
		Causes: CausePolicy{
			Net24hML: -1000, Net48hML: -1500, WeightChangeKG: -2, GutLosses24hML: 500,
			HaemoglobinFall: 2, BleedWindowHours: 48,
		},
		Recheck: RecheckPolicy{
			FallHours: 4, StoppedHours: 4, TreatedHours: 4, TreatedMetMinutes: 30,
			PositiveHours: 12, PositiveStableHours: 24, PositiveStableSets: 3, RepeatHours: 12, RepeatQuietHours: 12,
			DrugHours: 24, DrugMetHours: 4, VolumeNet48hML: -1500, VolumeQuietHours: 12,
			AdmitHours: 24, WeeklyDays: 7, DueWithinHours: 4, AtRiskAge: 65, ScheduledSoonInHours: 24,
			AnswerHours: 8, AnswerElsewhereHours: 12, AnswersThatCount: 3, AnswersThatCountUrgent: 1,
		},
		Precautions: PrecautionPolicy{
			InFeed: true,
			Bundle: []string{"assisted rising", "call light in reach", "non-slip footwear", "bed low and locked", "toileting schedule"},
			Added:  []string{"bed alarm"},
		},
		DoseReview: ReviewPolicy{
			PositiveHours: 72, RecentHours: 72, PeakFromHours: 1, PeakToHours: 4, RoomSystolic: 120, ManyIngredients: 3,
		},
		Tiers: TierPolicy{RecentHours: 24, GapHours: 72, LowDrop: 10, ClearedHours: 72},
		Unit:  UnitPolicy{DayShift: "07:00", NightShift: "19:00", Huddle: "07:00", PatientDays: ByMidnightCensus, StaleAfterHours: 4},
	}
}
