package alerts

import (
	"slices"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// The dose review flags, in table order.
const (
	DAlpha        = "D-ALPHA"
	DCentral      = "D-CENTRAL"
	DNitrate      = "D-NITRATE"
	DThree        = "D-THREE"
	DTwoDiuretics = "D-TWO-DIURETICS"
	DDry          = "D-DRY"
	DRecent       = "D-RECENT"
	DPeak         = "D-PEAK"
	DRoom         = "D-ROOM"
	DBoth         = "D-BOTH"
	DPressor      = "D-PRESSOR"
	DFrid         = "D-FRID"
	DUnknown      = "D-UNKNOWN"
)

// Flag is a reason for a pharmacist to look at doses. It recommends none.
type Flag struct {
	Rule    string
	Drugs   []string
	Figures clinical.Figures // nil where the names of the drugs say it all
	Facts   []string

	// Alone is true where no recognised blood-pressure-lowering drug is active (D-UNKNOWN).
	Alone bool
}

// Asks reports whether the flag, standing, makes a dose review needed. D-FRID never
// does; D-UNKNOWN only where the unknown drug may be the one that lowers the pressure.
func (f Flag) Asks() bool { return f.Rule != DFrid && (f.Rule != DUnknown || f.Alone) }

// Review says whether a dose review is asked for, and every flag that stands.
type Review struct {
	Needed bool
	Flags  []Flag
}

// minPeakSets is how many positive sets at the peak of one drug raise D-PEAK.
const minPeakSets = 2

func (s situation) review() Review {
	r := Review{Flags: s.flags()}
	positive := s.LatestPositive()
	r.Needed = !s.Serial.Cleared && positive != nil && s.within(positive.StartedAt, s.policy.DoseReview.PositiveHours) &&
		slices.ContainsFunc(r.Flags, Flag.Asks)
	return r
}

// drugs picks, of the active drugs, those that hold a property.
func (s situation) drugs(holds func(trends.ActiveDrug) bool) (names, facts []string) {
	names, facts = []string{}, []string{}
	for _, a := range s.exposures.Active {
		if holds(a) {
			names = append(names, a.Name)
			facts = append(facts, a.Facts...)
		}
	}
	return names, trends.Distinct(facts)
}

func inGroup(g clinical.Group) func(trends.ActiveDrug) bool {
	return func(a trends.ActiveDrug) bool { return a.Group() == g }
}

func lowering(a trends.ActiveDrug) bool     { return a.Lowering() }
func diuretic(a trends.ActiveDrug) bool     { return a.Group().Diuretic() }
func pressor(a trends.ActiveDrug) bool      { return a.Pressor() }
func contributing(a trends.ActiveDrug) bool { return a.Contributing() }

func nitrateOrVasodilator(a trends.ActiveDrug) bool {
	return a.Group() == clinical.Nitrate || a.Name == "hydralazine" || a.Name == "minoxidil"
}

// flags lists every flag that stands, in table order.
func (s situation) flags() []Flag {
	out := []Flag{}
	whileActive := func(rule string, holds func(trends.ActiveDrug) bool) {
		if names, facts := s.drugs(holds); len(names) > 0 {
			out = append(out, Flag{Rule: rule, Drugs: names, Facts: facts})
		}
	}
	whileActive(DAlpha, inGroup(clinical.AlphaBlocker))
	whileActive(DCentral, inGroup(clinical.CentralAntihyperten))
	whileActive(DNitrate, nitrateOrVasodilator)
	if names, facts := s.drugs(lowering); len(names) >= s.policy.DoseReview.ManyIngredients {
		out = append(out, Flag{Rule: DThree, Drugs: names, Facts: facts})
	}
	if names, facts := s.drugs(diuretic); s.diureticGroups() >= 2 {
		out = append(out, Flag{Rule: DTwoDiuretics, Drugs: names, Facts: facts})
	}
	if names, facts := s.drugs(diuretic); len(names) > 0 {
		if volume := s.contributor(trends.ByVolume); volume != nil {
			out = append(out, Flag{Rule: DDry, Drugs: names, Facts: trends.Distinct(append(facts, volume.Facts...))})
		}
	}
	out = append(out, s.recentFlag()...)
	out = append(out, s.peakFlag()...)
	out = append(out, s.pressureFlags()...)
	whileActive(DFrid, contributing)
	return append(out, s.unknownFlag()...)
}

// unknownFlag is D-UNKNOWN: a drug that nobody knows cannot be judged.
func (s situation) unknownFlag() []Flag {
	if len(s.exposures.Unknown) == 0 {
		return nil
	}
	lowers, _ := s.drugs(lowering)
	f := Flag{Rule: DUnknown, Alone: len(lowers) == 0}
	for _, u := range s.exposures.Unknown {
		f.Drugs = append(f.Drugs, u.Text)
		f.Facts = append(f.Facts, u.Facts...)
	}
	f.Facts = trends.Distinct(f.Facts)
	return []Flag{f}
}

func (s situation) diureticGroups() int {
	groups := map[clinical.Group]bool{}
	for _, a := range s.exposures.Active {
		if a.Group().Diuretic() {
			groups[a.Group()] = true
		}
	}
	return len(groups)
}

func (s situation) contributor(kind string) *trends.Contributor {
	for n, c := range s.exposures.Contributors {
		if c.Kind == kind {
			return &s.exposures.Contributors[n]
		}
	}
	return nil
}

// recentFlag is D-RECENT: a start, raise or resumption in the 72 h before the
// latest positive set.
func (s situation) recentFlag() []Flag {
	positive := s.LatestPositive()
	if positive == nil {
		return nil
	}
	f := Flag{Rule: DRecent, Figures: RecentFigures{SetAt: positive.StartedAt, Hours: s.policy.DoseReview.RecentHours}}
	for _, c := range s.Changes {
		if c.Lowering && c.Up() && trends.InWindow(c.At, positive.StartedAt, clinical.Hours(s.policy.DoseReview.RecentHours)) {
			f.Drugs = append(f.Drugs, c.Drug)
			f.Facts = append(f.Facts, c.Orders...)
		}
	}
	if len(f.Drugs) == 0 {
		return nil
	}
	f.Drugs = trends.Distinct(f.Drugs)
	f.Facts = trends.Distinct(append(f.Facts, positive.Facts...))
	return []Flag{f}
}

// peakFlag is D-PEAK.
func (s situation) peakFlag() []Flag {
	f := Flag{Rule: DPeak}
	most := 0
	for _, p := range s.Peaks {
		if p.Sets >= minPeakSets {
			f.Drugs = append(f.Drugs, p.Drug)
			f.Facts = append(f.Facts, p.Facts...)
			most = max(most, p.Sets)
		}
	}
	if len(f.Drugs) == 0 {
		return nil
	}
	f.Facts = trends.Distinct(f.Facts)
	p := s.policy.DoseReview
	f.Figures = PeakFigures{
		Sets: most, FromHours: p.PeakFromHours, ToHours: p.PeakToHours,
		EffectHours: s.policy.Drugs.DoseEffectHours, Doses: s.aroundDoses(f.Drugs),
	}
	return []Flag{f}
}

// aroundDoses are the figures of T-DOSE of drugs.
func (s situation) aroundDoses(drugs []string) []trends.AroundDose {
	var out []trends.AroundDose
	for _, d := range s.Serial.Doses {
		if slices.Contains(drugs, d.Drug) {
			out = append(out, d)
		}
	}
	return out
}

// pressureFlags are D-ROOM, D-BOTH and D-PRESSOR.
func (s situation) pressureFlags() []Flag {
	var out []Flag
	latest, positive := s.LatestSet(), s.LatestPositive()
	names, facts := s.drugs(lowering)
	if latest != nil && len(names) > 0 && latest.Baseline != nil && latest.Baseline.Position == clinical.Lying &&
		latest.Baseline.Systolic != nil && trends.Below(*latest.Baseline.Systolic, s.policy.DoseReview.RoomSystolic) {
		out = append(out, Flag{
			Rule: DRoom, Drugs: names, Facts: trends.Distinct(append(slices.Clone(facts), latest.Facts...)),
			Figures: RoomFigures{*latest.Baseline.Systolic},
		})
	}
	if positive != nil && (positive.LyingPressure == trends.ModerateSupine || positive.LyingPressure == trends.SevereSupine) {
		out = append(out, Flag{
			Rule: DBoth, Drugs: names, Facts: trends.Distinct(append(slices.Clone(facts), positive.Facts...)),
			Figures: LyingFigures{positive.LyingPressure},
		})
	}
	if pressors, facts := s.drugs(pressor); len(pressors) > 0 && latest != nil && latest.SupineHypertension() {
		out = append(out, Flag{
			Rule: DPressor, Drugs: pressors, Facts: trends.Distinct(append(facts, latest.Facts...)),
			Figures: LyingFigures{latest.LyingPressure},
		})
	}
	return out
}
