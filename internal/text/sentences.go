package text

import (
	"reflect"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// sentences are the types of the figures of the sentences of en/sentences that are said
// by themselves, by name; a test holds each to its type.
var sentences = map[string]reflect.Type{}

// says is the sentence of a name, with figures of one type.
func says[F any](name string) func(Catalogue, F) string {
	sentences[name] = reflect.TypeFor[F]()
	return func(c Catalogue, figures F) string { return c.say(name, figures) }
}

// saysOf are the sentences of several names that begin alike, with figures of one type, by what follows.
func saysOf[F any](begins string, names []string) map[string]func(Catalogue, F) string {
	out := map[string]func(Catalogue, F) string{}
	for _, name := range names {
		out[name] = says[F](begins + name)
	}
	return out
}

// none is what a sentence without figures tells.
type none struct{}

// What is said outside the table of rules.
var (
	sayFainted              = says[alerts.SetFigures]("fainted")
	sayFellAndSet           = says[alerts.FellFigures]("fell-and-set")
	sayOwedAfterFall        = says[alerts.FellFigures]("owed-after-fall")
	sayOwedAfterBrief       = says[none]("owed-after-fall-brief")
	sayOwedProvider         = says[episodes.Due]("owed-provider")
	sayOwedProviderBrief    = says[none]("owed-provider-brief")
	sayOwedClearance        = says[episodes.Due]("owed-clearance")
	sayOwedClearanceBrief   = says[none]("owed-clearance-brief")
	sayOwedPrecautions      = says[alerts.MissingFigures]("owed-precautions")
	sayOwedPrecautionsBrief = says[alerts.MissingFigures]("owed-precautions-brief")
	sayOwedReview           = says[alerts.ReviewFigures]("owed-review")
	sayOwedReviewBrief      = says[alerts.ReviewFigures]("owed-review-brief")
	sayOwedPrecautionsLine  = says[alerts.MissingFigures]("owed-precautions-line")
	sayOwedReviewLine       = says[none]("owed-review-line")
	sayOwedRecheck          = says[alerts.RecheckFigures]("owed-recheck")
	sayOwedRecheckBrief     = says[none]("owed-recheck-brief")
	sayRecheckLead          = says[alerts.RecheckFigures]("recheck-lead")
	sayFracture             = says[string]("fracture")
	sayRecheckWhy           = says[alerts.RecheckFigures]("recheck-why")

	sayAnswered    = says[answeredFigures]("answered")
	sayAskProvider = says[int]("ask-provider")
	sayStandFor    = says[float64]("stand-for")
	sayLimb        = says[trends.RestrictionFact]("limb")
	sayLimbBrief   = says[trends.RestrictionFact]("limb-brief")
	sayLow         = says[trends.AtRest]("low-at-rest")
	sayLowBrief    = says[trends.AtRest]("low-at-rest-brief")
	sayChest       = says[chestFigures]("chest-pain")
	sayChestBrief  = says[chestFigures]("chest-pain-brief")
	sayEmergency   = says[trends.Emergency]("emergency")
	sayEmergBrief  = says[trends.Emergency]("emergency-brief")
	sayStale       = says[alerts.Freshness]("stale")
	sayCame        = says[map[clinical.Kind]time.Time]("came")
	sayQuiet       = says[alerts.Freshness]("quiet")
	sayQuietBrief  = says[alerts.Freshness]("quiet-brief")

	sayTrend      = says[trends.Serial]("trend")
	sayAround     = says[trends.Around]("around")
	sayAroundDose = says[aroundDoseFigures]("around-dose")
	_             = says[bleedFigures]("bleed")
	sayGroup      = says[trends.LastGiven]("given-group")
	sayAmount     = says[trends.LastGiven]("given-amount")
	sayGivenOrder = says[trends.LastGiven]("given-order")
	sayMissed     = says[trends.LastGiven]("given-missed")
	sayBeforeFall = says[time.Duration]("given-before-fall")
	sayBleeds     = says[trends.FallFact]("bleeds")
	sayFellOnSome = says[string]("fell-line-unrecognised")
	sayFellBeside = says[alerts.FellFigures]("fell-beside")
	sayP          = says[float64]("p")
	saySmallest   = says[float64]("smallest")
	_             = says[fewFigures]("few")
	sayFewSets    = says[trends.Serial]("course-few")
	sayCourse     = says[courseFigures]("course")
	sayClearing   = says[clearingFigures]("clearing")
	sayCounts     = says[trends.Serial]("counts")
	sayNeeded     = says[neededFigures]("needed")
	sayAfter      = says[trends.Change]("needed-after")
	sayPassed     = says[int]("needed-passed")
	sayBetween    = says[none]("needed-between")
	sayResponse   = says[trends.Set]("response")
	saySustained  = says[trends.Word]("sustained")
	sayDrops      = says[trends.Set]("drops")
	saySet        = says[trends.Set]("set-pressures")
	saySetLine    = says[setTold]("set-line")
	saySetBrief   = says[setTold]("set-brief")
	sayOvertaken  = says[trends.Overtaken]("overtaken")
	sayOvertakeAt = says[trends.Overtaken]("overtaken-at")
	sayHow        = says[trends.Set]("positive-how")
	sayLasted     = says[trends.Set]("found-lasted")
	sayStrip      = says[stripFigures]("strip")

	sayDropFigures = says[trends.Set]("drop-figures")

	sayBeside   = says[trends.Set]("beside-drops")
	sayAtRest   = says[[]string]("felt-at-rest")
	sayNewSets  = says[newSets]("new-sets")
	sayNewFall  = says[trends.FallFact]("new-fall")
	sayInjury   = says[string]("injury")
	sayAssisted = says[*bool]("assisted")

	sayDaily         = says[dailyFigures]("daily")
	sayChange        = says[trends.Change]("change")
	sayChangeAt      = says[trends.Change]("change-at")
	sayChangeNews    = says[trends.Change]("change-at-sentence")
	sayDroppedAfter  = says[alerts.DropAfter]("dropped-after")
	sayPositiveSet   = says[trends.Set]("positive-set")
	sayFlagWith      = says[flagEvidence]("flag-with")
	sayFlagNamed     = says[flagSaid]("flag-named")
	sayReviewEnds    = says[records.DoseOutcome]("review-ends")
	sayPressor       = says[none]("pressor")
	sayContributing  = says[none]("contributing")
	sayOrderedDose   = says[trends.Ordered]("ordered-dose")
	sayGivenDoses    = says[trends.DrugDose]("given-doses")
	sayGivenDose     = says[trends.Given]("given-dose")
	sayLaneDose      = says[trends.LaneDose]("lane-dose")
	sayStayOrder     = says[trends.StayOrder]("stay-order")
	sayWeight        = says[trends.WeightChange]("weight-change")
	sayWeightUnknown = says[none]("weight-unknown")
	sayBalance       = says[trends.Balance]("balance")
	sayLoad          = says[trends.Exposures]("load")
	sayAntithrombot  = says[antithromboticFigures]("antithrombotic")
	sayNoneAround    = says[trends.Bleeding]("no-antithrombotic")
	sayNoneKnown     = says[trends.Bleeding]("none-recognised")
	sayUnrecognised  = says[[]string]("unrecognised")

	sayPolicyChange  = says[policy.Change]("policy-change")
	sayPolicyWarning = says[policy.Warning]("policy-warning")
	sayCheckWarning  = says[policy.Warning]("policy-check-warning")
	sayCheckNothing  = says[none]("policy-check-nothing")
	sayUnusable      = says[none]("policy-unusable")
	_                = says[policy.Problem]("policy-problem")
	sayProblemLine   = says[policy.Problem]("policy-problem-line")
	_                = says[policy.Range]("policy-range")
	_                = says[policy.Range]("policy-allowed")
	_                = says[policy.Range]("policy-span")
	_                = says[policy.Fault]("policy-meant")
	_                = says[policy.Fault]("policy-known")
	_                = says[policy.Setting]("policy-setting")
	sayFault         = saysOf[policy.Fault]("policy-fault-", policy.Faults())

	sayNoticePlace   = says[NoticeFigures]("notice-place")
	sayNoticeSubject = says[NoticeFigures]("notice-subject")
	sayNoticeOrigin  = says[NoticeFigures]("notice-origin")
	sayNoticeFeed    = says[none]("notice-feed")
	sayBriefing      = says[BriefingFigures]("briefing-subject")
	sayBriefingLead  = says[BriefingFigures]("briefing-lead")
	sayBriefingUnit  = says[string]("briefing-unit")
	sayBriefingLine  = says[BriefingLine]("briefing-line")
	sayBriefingBleed = says[BriefingFalls]("briefing-bleeding")
	sayBriefingNone  = says[none]("briefing-nothing")

	sayBriefingAdministrator = says[none]("briefing-administrator")
	sayBriefingCommissioning = says[string]("briefing-commissioning")
	sayBriefingGap           = says[briefingGap]("briefing-gap")
	sayGap                   = says[gapFigures]("gap")
	sayMessageFoot           = says[none]("message-foot")

	sayOwed       = says[owedFigures]("owed")
	sayEventEnded = says[endedFigures]("event-ended")
	sayStates     = map[string]func(Catalogue, stateFigures) string{
		"open": says[stateFigures]("state-open"), "taken": says[stateFigures]("state-taken"), "deferred": says[stateFigures]("state-deferred"),
		"assigned": says[stateFigures]("state-assigned"), "answered": says[stateFigures]("state-answered"),
		"told":   says[stateFigures]("state-told"),
		"closed": says[stateFigures]("state-closed"), "done": says[stateFigures]("state-done"),
	}
	sayEvents = map[records.EpisodeWhat]func(Catalogue, records.EpisodeEvent) string{
		episodes.Opened: says[records.EpisodeEvent]("event-opened"), episodes.Reopened: says[records.EpisodeEvent]("event-reopened"),
		episodes.Resumed: says[records.EpisodeEvent]("event-resumed"), episodes.Moved: says[records.EpisodeEvent]("event-moved"),
		episodes.DeferralOver: says[records.EpisodeEvent]("event-deferral_over"), episodes.TakenOn: says[records.EpisodeEvent]("event-taken"),
		episodes.Released: says[records.EpisodeEvent]("event-released"), episodes.PutOff: says[records.EpisodeEvent]("event-deferred"),
		episodes.Closed: says[records.EpisodeEvent]("event-closed"), episodes.Given: says[records.EpisodeEvent]("event-assigned"),
		episodes.GivenOver: says[records.EpisodeEvent]("event-assignment_over"), episodes.FellDue: says[records.EpisodeEvent]("event-fell_due"),
		episodes.AnswerMoved: says[records.EpisodeEvent]("event-answered"), episodes.AnswerOver: says[records.EpisodeEvent]("event-answer_over"),
		episodes.AnswerGiven: says[records.EpisodeEvent]("event-answer_given"), episodes.ToldOf: says[records.EpisodeEvent]("event-told"),
		episodes.ReviewBack: says[records.EpisodeEvent]("event-review_back"),
	}

	sayBriefs = map[records.EpisodeState]func(Catalogue, records.Episode) string{
		episodes.Assigned: says[records.Episode]("brief-assigned"), episodes.Taken: says[records.Episode]("brief-taken"),
		episodes.Deferred: says[records.Episode]("brief-deferred"), episodes.Told: says[records.Episode]("brief-told"),
		episodes.Answered: says[records.Episode]("brief-answered"), episodes.Done: says[records.Episode]("brief-done"),
	}
	sayNameless = map[records.EpisodeState]func(Catalogue, records.Episode) string{
		episodes.Assigned: says[records.Episode]("nameless-assigned"), episodes.Taken: says[records.Episode]("nameless-taken"),
		episodes.Deferred: says[records.Episode]("nameless-deferred"), episodes.Told: says[records.Episode]("nameless-told"),
		episodes.Answered: sayBriefs[episodes.Answered], episodes.Done: says[records.Episode]("nameless-done"),
	}

	sayFiguresFrom = says[time.Time]("part-figures-from")
	sayPartFrom    = says[time.Time]("part-from")
	sayPartUntil   = says[none]("part-until-now")
	sayPartTo      = says[time.Time]("part-to")
	sayRuns        = map[trends.RunRule]func(Catalogue, pointFigures) string{
		trends.RunBeyond: says[pointFigures]("run-beyond"), trends.RunEight: says[pointFigures]("run-eight"),
		trends.RunTwoOfThree: says[pointFigures]("run-two-of-three"), trends.RunSix: says[pointFigures]("run-six"),
	}
	sayDaysByHours  = says[none]("days-hours")
	sayDaysByCensus = says[none]("days-census")

	sayStay        = says[clinical.Stay]("fact-stay")
	sayVitals      = says[clinical.Vitals]("fact-vitals")
	sayOrder       = says[clinical.Order]("fact-order")
	sayDose        = says[clinical.Dose]("fact-dose")
	sayFluid       = says[clinical.Fluid]("fact-fluid")
	sayMass        = says[clinical.Weight]("fact-weight")
	sayLab         = says[clinical.Lab]("fact-lab")
	sayCondition   = says[clinical.Condition]("fact-condition")
	sayPrecaution  = says[clinical.Precaution]("fact-precaution")
	sayFall        = says[clinical.Fall]("fact-fall")
	sayRestriction = says[clinical.Restriction]("fact-restriction")
	sayClearance   = says[clinical.Clearance]("fact-clearance")
	sayAnswer      = says[clinical.Answer]("fact-answer")
	sayTreatment   = says[clinical.Treatment]("fact-treatment")
)
