package text

import (
	"fmt"
	"strconv"
	"strings"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
)

// Rule explains one rule to a reader, with the numbers of the policy in force.
type Rule struct {
	ID   string
	Text string
}

// RuleGroup is a family of rules under one heading.
type RuleGroup struct {
	Name  string
	Intro string
	Rules []Rule
}

// Explain explains every rule that a page may name, by family.
func Explain(p clinical.Policy) []RuleGroup {
	return []RuleGroup{
		{"Why a patient stands where on the list", "The first rule that holds decides; the order below is the order of the list.", tierRules(p)},
		{"Rechecks", "No published source gives an interval in hours: every number here is the site's. The earliest unmet demand is the recheck.", recheckRules(p)},
		{"Precautions", "Other fall risks are not judged.", precautionRules(p)},
		{"Dose review", "Flags point at doses for a pharmacist to look at. They recommend no dose.", flagRules(p)},
		{"Findings of a set", "A set is one baseline with the upright readings that belong to it. A drop is the lower position's value minus the upright value.", findingRules(p)},
		{"Over the stay", "What follows from several sets together.", serialRules(p)},
		{"What surrounds the findings", "Things to look at, not causes found.", surroundingRules(p)},
		{"What contradicts itself", "Two things in the data that cannot both be so. Each opens an episode, so that somebody puts it right at its source.", contradictionRules(p)},
	}
}

func hours(v float64) string { return exact(v) + " h" }

// exact writes a number of the policy as it was set: nothing is rounded away.
func exact(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func exactSigned(v float64) string { return strings.Replace(exact(v), "-", "−", 1) }

func tierRules(p clinical.Policy) []Rule {
	recent, gap := hours(p.Tiers.RecentHours), hours(p.Tiers.GapHours)
	soon, cleared := hours(p.Recheck.ScheduledSoonInHours), hours(p.Tiers.ClearedHours)
	return []Rule{
		{alerts.TFall, "A fall in the last " + recent + " with no set since that can be read."},
		{alerts.TStopped, "The latest set that can be read was stopped by symptoms, in the last " + recent + "."},
		{alerts.TLow, "Standing systolic under 90 mmHg at the latest set that can be read, with a systolic drop of at least " + exact(p.Tiers.LowDrop) + ", in the last " + recent + "."},
		{alerts.TLowLying, "Lying systolic under 90 mmHg at the latest set, in the last " + recent + ": standing tests are usually withheld."},
		{alerts.TGap, "The latest set that can be read is positive or brought symptoms, in the last " + gap + ", and a falls precaution is missing."},
		{alerts.TPositive, "The latest set that can be read is positive."},
		{alerts.TFell, "A fall in the last " + recent + "."},
		{alerts.TOverdue, "A recheck is overdue, by a rule other than the admission and the weekly screen."},
		{alerts.TDue, "A recheck is due within " + hours(p.Recheck.DueWithinHours) + ", by a rule other than the admission and the weekly screen."},
		{alerts.TReview, "A dose review is asked for: a positive set in the last " + hours(p.DoseReview.PositiveHours) + " that has not been cleared, and a flag other than D-FRID."},
		{alerts.TSymptoms, "The latest set that can be read brought symptoms without a fall in pressure."},
		{alerts.TRoutine, "The admission screen or the weekly screen is overdue or due."},
		{alerts.TSoon, "A recheck is scheduled within " + soon + "."},
		{alerts.TPrecaution, "Falls precautions are asked for and one is missing."},
		{alerts.TWatch, "A positive set in this stay and a possible contributor other than drugs; or cleared in the last " + cleared + "; or a recheck scheduled later than " + soon + " from now."},
	}
}

func contradictionRules(p clinical.Policy) []Rule {
	return []Rule{
		{episodes.CImplausible, "The latest set holds a value that cannot be, which was left out; in its first " + hours(p.Tiers.RecentHours) + "."},
		{episodes.CFatal, "A fall is charted as fatal, and a set was taken after it."},
		{episodes.CBefore, "A fall of this stay is timed before its admission. It counts as a fall of this stay."},
		{episodes.CEnded, "A precaution ended before it began. It counts as not in place."},
		{episodes.CTwice, "One patient has two stays on the unit's list at once."},
		{episodes.CFeed, "The feed folder cannot be read, or was not looked at for five of its intervals."},
	}
}

func recheckRules(p clinical.Policy) []Rule {
	r := p.Recheck
	return []Rule{
		{alerts.RFall, "Due " + hours(r.FallHours) + " after a fall. A set at or after the fall meets it."},
		{alerts.RStopped, "Due " + hours(r.StoppedHours) + " after a set stopped by symptoms. A later set meets it."},
		{alerts.RTreated, "Due " + hours(r.TreatedHours) + " after a treatment of a falling pressure, where a positive set came before it. A set from " + exact(r.TreatedMetMinutes) + " min after the treatment meets it."},
		{alerts.RPositive, fmt.Sprintf("A positive set in this stay that has not been cleared: due %s after the later of the latest set that can be read and the latest start, raise or resumption of a blood-pressure-lowering drug; %s once the last %d sets are positive, none stopped by symptoms or low on standing, and the drop is not growing.", hours(r.PositiveHours), hours(r.PositiveStableHours), r.PositiveStableSets)},
		{alerts.RRepeat, "The latest set brought symptoms only, or could not be read and nothing was told in the " + hours(r.RepeatQuietHours) + " before it: due " + hours(r.RepeatHours) + " after it."},
		{alerts.RDrug, "Due " + hours(r.DrugHours) + " after the start, raise or resumption of a blood-pressure-lowering drug or of one of the groups N06AA, N05A, N04BA, N04BC, A10BK. A set from " + hours(r.DrugMetHours) + " after the change meets it."},
		{alerts.RVolume, "Net fluid of " + exactSigned(r.VolumeNet48hML) + " mL or less in 48 h, charted well enough to be used, and no set that can be read in the last " + hours(r.VolumeQuietHours) + ": due at once."},
		{alerts.RAdmit, fmt.Sprintf("Due %s after the admission of a patient at risk: aged %d or more, a blood-pressure-lowering or pressor drug ordered or given, a fall in this stay, a coded neurologic condition, or a coded history of falls, syncope or orthostatic hypotension.", hours(r.AdmitHours), r.AtRiskAge)},
		{alerts.RWeekly, "A patient at risk: due " + exact(r.WeeklyDays) + " days after the latest set that can be read."},
	}
}

func flagRules(p clinical.Policy) []Rule {
	d := p.DoseReview
	return []Rule{
		{alerts.DAlpha, "An alpha-1 blocker is active."},
		{alerts.DCentral, "A central antihypertensive is active."},
		{alerts.DNitrate, "A nitrate, hydralazine or minoxidil is active."},
		{alerts.DThree, fmt.Sprintf("%d or more blood-pressure-lowering ingredients are active.", d.ManyIngredients)},
		{alerts.DTwoDiuretics, "Diuretics of two classes are active."},
		{alerts.DDry, "A diuretic is active and there are signs of volume loss."},
		{alerts.DRecent, "A blood-pressure-lowering drug was started, raised or resumed in the " + hours(d.RecentHours) + " before the latest positive set."},
		{alerts.DPeak, "At least two positive sets started " + exact(d.PeakFromHours) + " to " + hours(d.PeakToHours) + " after a dose of the same blood-pressure-lowering drug."},
		{alerts.DRoom, "Lying systolic under " + exact(d.RoomSystolic) + " mmHg at the latest set with a blood-pressure-lowering drug active."},
		{alerts.DBoth, "Moderate or severe supine hypertension at the latest positive set: the two aims conflict."},
		{alerts.DPressor, "Supine hypertension at the latest set and a pressure-raising drug active."},
		{alerts.DFrid, "A drug that can contribute to falls is active. By itself it asks for no review."},
	}
}

func findingRules(p clinical.Policy) []Rule {
	v := p.Plausible
	than := "at least"
	if p.Sets.Comparison == clinical.MoreThan {
		than = "more than"
	}
	return []Rule{
		{"F-SYS", "Systolic drop of " + than + " 20 mmHg at an upright reading; " + than + " 15 in a set from sitting to standing."},
		{"F-DIA", "Diastolic drop of " + than + " 10 mmHg at an upright reading; " + than + " 7 in a set from sitting to standing."},
		{"F-LOW", "Standing systolic under 90 mmHg where the baseline was 90 or more."},
		{"F-STOP", "Stopped early with symptoms, or loss of consciousness away from the baseline."},
		{"F-NEGATIVE", "Negative only with a usable baseline, 5 min of rest where rest was charted, a lying systolic of 90 or more, no symptoms, and a standing reading at " + exact(p.Sets.StandingFromMinutes) + " to " + exact(p.Sets.StandingToMinutes) + " min; what is neither positive nor tested well enough is inconclusive."},
		{"F-TIME", "Classic: met within 3 min upright (half a minute of grace). Delayed: later. Possible initial: at once, and gone at a later reading; a cuff cannot confirm it."},
		{"F-SUSTAIN", "Whether a later reading of the same set also meets the drop."},
		{"F-PULSE", "Pulse rise of at least 30 a minute (40 under age 20); notable from " + exact(p.Sets.PulseRiseNotablePercent) + " % of the baseline pulse."},
		{"F-RESPONSE", "Pulse rise over systolic drop at the reading nearest 3 min: blunted under 0.5 beats/min per mmHg, else brisk; falling where the pulse fell; unreliable with a rate-limiting drug, atrial fibrillation or a pacemaker. Neither is a diagnosis."},
		{"F-SUPINE", "Lying pressure: mild supine hypertension from 140 or 90, moderate from 160 or 100, severe from 180 or 110; low under 90 systolic."},
		{"V-PLAUSIBLE", fmt.Sprintf("Believed: systolic %s to %s and diastolic %s to %s mmHg, systolic above diastolic, pulse %s to %s a minute. What lies outside is left out and named.",
			exact(v.SystolicMin), exact(v.SystolicMax), exact(v.DiastolicMin), exact(v.DiastolicMax), exact(v.PulseMin), exact(v.PulseMax))},
		{"S-INFER", "Readings without a set number join by position and time: upright at most " + exact(p.Sets.WindowMinutes) + " min after lying."},
		{"S-LIMB", "Pressures are compared on comparable limbs only: not an arm with a leg, not left with right."},
	}
}

func serialRules(p clinical.Policy) []Rule {
	s := p.Serial
	return []Rule{
		{"T-SLOPE", "Theil-Sen slope of the systolic drop against days over lying-to-standing sets that can be read, with Sen's 95 % interval from five sets on."},
		{"T-KENDALL", "Mann-Kendall test of the same sets; a trend is named from four sets on at p under " + exact(s.TrendLevel) + "."},
		{"T-CLEAR", fmt.Sprintf("Cleared after a positive set: the latest sets negative, %d or more of them with a standing reading at %s to %s min, after the latest start, raise or resumption of a blood-pressure-lowering drug, the first and last at least %s apart.",
			s.ClearNegatives, exact(p.Sets.ClearingStandFromMinutes), exact(p.Sets.StandingToMinutes), hours(s.ClearHours))},
		{"T-AROUND", "Median of all after-minus-before differences of the systolic drop (Hodges-Lehmann) within " + exact(s.AroundDays) + " days of a drug change, with its exact 95 % interval. What moved together need not be cause and effect."},
	}
}

func surroundingRules(p clinical.Policy) []Rule {
	c := p.Causes
	return []Rule{
		{"E-DRUG", "A drug is known by its ATC code, else its RxNorm ingredient, else the ingredient names in its text. What stays unknown is listed as unrecognised and judged by no rule."},
		{"E-LAST", "The last given dose of each blood-pressure-lowering drug at or before the start of the latest set, and the hours between. The dose review tells the same of the latest positive set, and of every drug that it names."},
		{"E-LOAD", "Blood-pressure-lowering doses given in the last 24 h, each divided by its WHO defined daily dose (DDD) and summed; ordered doses where a stay has no dose records. A DDD is a unit of measurement, not a recommended dose."},
		{"E-CHANGE", fmt.Sprintf("Steps of the ordered daily dose of one ingredient and route. A renewal within %s is no change; a drug begun again within %s is resumed, not started; home drugs ordered again within %s of admission are not listed.%s",
			hours(p.Drugs.RenewalHours), hours(p.Drugs.ResumedHours), hours(p.Drugs.HomeDrugsHours), ofNoConcern(p.Drugs.OfNoConcern))},
		{"E-FLUID", "In minus out over the window, entries shared by overlap. Under " + exact(p.Fluid.CoveragePercent) + " % of the window charted the net is shown as incomplete and no rule uses it."},
		{"E-WEIGHT", "Latest weight less the first of the stay, at least 12 h apart."},
		{"E-BLEED", "After a fall, drugs of ATC group B01A ordered at the fall, ordered or given in the 7 days before it, or begun since. A drug that no code and no name tells is said as not recognised. Bleeding can show late. Nothing else depends on it."},
		{"E-CAUSE", fmt.Sprintf("Volume: net fluid of %s mL or less in 24 h or %s in 48 h, weight down by %s kg or more, %s mL or more by emesis, stool and drains in 24 h, blood loss charted or haemoglobin down by %s g/dL in %s, a brisk pulse on standing. Drugs, cardiac, endocrine, neurologic: as active or coded.",
			exactSigned(c.Net24hML), exactSigned(c.Net48hML), strings.TrimPrefix(exact(c.WeightChangeKG), "-"), exact(c.GutLosses24hML), exact(c.HaemoglobinFall), hours(c.BleedWindowHours))},
	}
}

func ofNoConcern(names []string) string {
	if len(names) == 0 {
		return ""
	}
	return " Of no concern here: " + strings.Join(names, ", ") + "."
}

func precautionRules(p clinical.Policy) []Rule {
	held := "What is missing is the bundle less what is charted as in place."
	if !p.Precautions.InFeed {
		held = "This site's feeds carry no precautions: none can be called missing."
	}
	added := ""
	if len(p.Precautions.Added) > 0 {
		added = "; after a fall, or a set stopped by symptoms that has not been cleared, also " + strings.Join(p.Precautions.Added, ", ")
	}
	return []Rule{{"precautions", "Asked for after a fall in this stay, a positive set that has not been cleared, or while the latest set that can be read is positive or brought symptoms: " +
		strings.Join(p.Precautions.Bundle, ", ") + added + ". " + held}}
}
