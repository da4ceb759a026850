package alerts

import "plumbline/internal/clinical"

// Sources that several rules name.
const (
	ofTheSite      = "policy of the site; no published source gives a recheck interval in hours"
	commonPractice = "common practice, no source"
)

// TierRules are the rules of the tiers, in the order of the list.
var TierRules = []clinical.Rule{
	{ID: TFall, Source: "policy of the site; a set after a fall: AHRQ falls toolkit, tool 3N", Figures: FellFigures{}},
	{ID: TStopped, Source: commonPractice, Figures: SetFigures{}},
	{ID: TLow, Source: "ESC 2018 and RCP 2017 for 90 mmHg; the drop: policy of the site", Figures: SetFigures{}},
	{ID: TLowLying, Source: commonPractice, Figures: SetFigures{}},
	{ID: TGap, Source: "policy of the site", Figures: GapFigures{}},
	{ID: TPositive, Source: "policy of the site", Figures: SetFigures{}},
	{ID: TFell, Source: "policy of the site", Figures: FellFigures{}},
	{ID: TClearance, Source: commonPractice, Figures: FellFigures{}},
	{ID: TOverdue, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: TDue, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: TReview, Source: "policy of the site", Figures: ReviewFigures{}},
	{ID: TSymptoms, Source: "CDC STEADI: abnormal, and not orthostatic hypotension by the consensus", Figures: SymptomFigures{}},
	{ID: TRoutine, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: TSoon, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: TPrecaution, Source: "policy of the site", Figures: MissingFigures{}},
	{ID: TWatch, Source: "policy of the site", Figures: WatchFigures{}},
}

// RecheckRules are the rules that ask for a recheck, in table order: of two that are
// due at one time the one higher here is shown. An episode tells them by their figures.
var RecheckRules = []clinical.Rule{
	{ID: RFall, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: RStopped, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: RTreated, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: RPositive, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: RRepeat, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: RDrug, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: RVolume, Source: ofTheSite, Figures: RecheckFigures{}},
	{ID: RAdmit, Source: ofTheSite + "; at risk from 65 years: NICE NG249", Figures: RecheckFigures{}},
	{ID: RWeekly, Source: ofTheSite, Figures: RecheckFigures{}},
}

// AnswerRules are the rules of the answers that put rechecks off, and of stale lists.
var AnswerRules = []clinical.Rule{{ID: RAnswer, Source: ofTheSite}, {ID: UFresh, Source: "policy of the site"}}

// PrecautionRules is the rule of the falls precautions, which has no id of its own.
var PrecautionRules = []clinical.Rule{{ID: "precautions", Source: "policy of the site"}}

// FlagRules are the flags of the dose review, in table order. Their words name the
// drugs of the flag too.
var FlagRules = []clinical.Rule{
	{ID: DAlpha, Source: "AGS Beers 2023 names doxazosin, prazosin, terazosin (from memory); the others common practice"},
	{ID: DCentral, Source: "AGS Beers 2023 (from memory)"},
	{ID: DNitrate, Source: "STOPP on vasodilators (secondary)"},
	{ID: DThree, Source: "policy of the site"},
	{ID: DTwoDiuretics, Source: commonPractice},
	{ID: DDry, Source: commonPractice},
	{ID: DRecent, Source: "Welsh and Mitchell 2023: the time after a start or raise", Figures: RecentFigures{}},
	{ID: DPeak, Source: commonPractice, Figures: PeakFigures{}},
	{ID: DRoom, Source: commonPractice, Figures: RoomFigures{}},
	{ID: DBoth, Source: "Fanciulli 2018, Clin Auton Res 28:355", Figures: LyingFigures{}},
	{ID: DPressor, Source: commonPractice, Figures: LyingFigures{}},
	{ID: DFrid, Source: "STOPPFall 2021 for its classes (from memory); the rest common practice"},
	{ID: DUnknown, Source: commonPractice},
}
