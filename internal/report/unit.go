package report

import (
	"time"

	"plumbline/internal/trends"
)

// Unit is the published document of a unit's figures over time. Rates and limits
// of the u-chart are per 1,000 patient-days, those of the p-chart and
// systolic_ending_0 are shares of 1.
type Unit struct {
	Unit        string       `json:"unit"`
	Periods     []UnitPeriod `json:"periods"`
	DaysBetween []int        `json:"days_between_falls"`
	GCenter     *float64     `json:"g_center"`
	GUpper      *float64     `json:"g_upper"`
}

// UnitPeriod is one month or week.
type UnitPeriod struct {
	From             time.Time        `json:"from"`
	To               time.Time        `json:"to"`
	PatientDays      float64          `json:"patient_days"`
	Falls            int              `json:"falls"`
	FallsWithInjury  int              `json:"falls_with_injury"`
	Rate             *float64         `json:"rate"`
	RateLow          *float64         `json:"rate_low"`
	RateHigh         *float64         `json:"rate_high"`
	InjuryRate       *float64         `json:"injury_rate"`
	UCenter          *float64         `json:"u_center"`
	ULower           *float64         `json:"u_lower"`
	UUpper           *float64         `json:"u_upper"`
	RunRules         []trends.RunRule `json:"run_rules"`
	Sets             int              `json:"sets"`
	Complete         int              `json:"complete"`
	Usable           int              `json:"usable"`
	Unusable         int              `json:"unusable"`
	Positive         int              `json:"positive"`
	RechecksDue      int              `json:"rechecks_due"`
	RechecksInTime   int              `json:"rechecks_in_time"`
	RechecksAnswered int              `json:"rechecks_answered"`
	PCenter          *float64         `json:"p_center"`
	PLower           *float64         `json:"p_lower"`
	PUpper           *float64         `json:"p_upper"`
	SystolicEnding0  *float64         `json:"systolic_ending_0"`
}

// UnitOf writes the figures of a unit.
func UnitOf(unit string, f trends.UnitFigures) Unit {
	out := Unit{Unit: unit, Periods: []UnitPeriod{}, DaysBetween: f.DaysBetween, GCenter: f.GCenter, GUpper: f.GUpper}
	for _, p := range f.Periods {
		rules := p.RunRules
		if rules == nil {
			rules = []trends.RunRule{}
		}
		out.Periods = append(out.Periods, UnitPeriod{
			From: p.From.UTC(), To: p.To.UTC(), PatientDays: p.PatientDays,
			Falls: p.Falls, FallsWithInjury: p.WithInjury,
			Rate: p.Rate, RateLow: p.RateLow, RateHigh: p.RateHigh, InjuryRate: p.HarmRate,
			UCenter: p.U.Center, ULower: p.U.Lower, UUpper: p.U.Upper, RunRules: rules,
			Sets: p.Sets, Complete: p.Grades[trends.Complete], Usable: p.Grades[trends.Usable],
			Unusable: p.Grades[trends.Unusable], Positive: p.Positive,
			RechecksDue: p.RechecksDue, RechecksInTime: p.RechecksInTime, RechecksAnswered: p.RechecksAnswered,
			PCenter: p.P.Center, PLower: p.P.Lower, PUpper: p.P.Upper, SystolicEnding0: p.EndIn0,
		})
	}
	return out
}
