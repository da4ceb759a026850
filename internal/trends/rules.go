package trends

import "plumbline/internal/clinical"

const commonPractice = "common practice, no source"

// FindingRules are the rules of readings, sets and their findings. docs/rules.md has
// their figures.
var FindingRules = []clinical.Rule{
	{ID: "F-SYS", Source: "Freeman 2011, Clin Auton Res 21:69; from sitting: Shaw 2017, J Hypertens 35:1019"},
	{ID: "F-DIA", Source: "Freeman 2011, Clin Auton Res 21:69; from sitting: Shaw 2017, J Hypertens 35:1019"},
	{ID: "F-LOW", Source: "ESC 2018 (syncope guideline), RCP 2017"},
	{ID: "F-STOP", Source: commonPractice},
	{ID: "F-NEGATIVE", Source: "policy of the site; published protocols measure at 1 and 3 min"},
	{ID: "F-TIME", Source: "Freeman 2011; Gibbons and Freeman 2006 for the delayed form"},
	{ID: "F-SUSTAIN", Source: commonPractice},
	{ID: "F-PULSE", Source: "Freeman 2011; McGee 1999, JAMA 281:1022; the notable rise: policy of the site"},
	{ID: "F-RESPONSE", Source: "Norcliffe-Kaufmann 2018, Ann Neurol 83:522"},
	{ID: "F-SUPINE", Source: "Fanciulli 2018, Clin Auton Res 28:355; the grades from memory"},
	{ID: "V-PLAUSIBLE", Source: "policy of the site"},
	{ID: "S-INFER", Source: "policy of the site"},
	{ID: "S-LIMB", Source: commonPractice},
}

// SerialRules are the rules of several sets together.
var SerialRules = []clinical.Rule{
	{ID: "T-SLOPE", Source: "Theil 1950, Sen 1968"},
	{ID: "T-KENDALL", Source: "Mann 1945, Kendall 1975; the level: policy of the site"},
	{ID: "T-CLEAR", Source: "policy of the site; repeatability: Weiss 2002"},
	{ID: "T-AROUND", Source: "Hodges and Lehmann 1963; the days: policy of the site"},
	{ID: "T-DOSE", Source: "Fisher 1935; the hours: policy of the site"},
}

// SurroundingRules are the rules of what surrounds the findings.
var SurroundingRules = []clinical.Rule{
	{ID: "E-DRUG", Source: "WHO ATC index of 2026-04-25; RxNorm and trade names, in part from memory"},
	{ID: "E-LAST", Source: commonPractice},
	{ID: "E-GIVEN", Source: "common practice, no source; ATC group B01A; 7 days: life of a platelet, from memory"},
	{ID: "E-LOAD", Source: "WHO ATC/DDD index of 2026-04-25"},
	{ID: "E-CHANGE", Source: "policy of the site"},
	{ID: "E-FLUID", Source: "policy of the site; charted balances are often wrong: Perren 2011, Mensink 2024"},
	{ID: "E-WEIGHT", Source: commonPractice},
	{ID: "E-BLEED", Source: "AHRQ falls toolkit, tool 3N; 7 days: life of a platelet, from memory"},
	{ID: "E-CAUSE", Source: "policy of the site; ICD-10 codes in part from memory"},
}

// EvidenceRules are the grounds of a contributor.
var EvidenceRules = []clinical.Rule{
	{ID: EvNet24, Source: ofCauses, Figures: VolumeFigures{}},
	{ID: EvNet48, Source: ofCauses, Figures: VolumeFigures{}},
	{ID: EvWeight, Source: ofCauses, Figures: MassFigures{}},
	{ID: EvGutLosses, Source: ofCauses, Figures: VolumeFigures{}},
	{ID: EvBloodLoss, Source: commonPractice, Figures: VolumeFigures{}},
	{ID: EvHaemoglobin, Source: ofCauses, Figures: HaemoglobinFigures{}},
	{ID: EvBrisk, Source: ofResponse, Figures: RatioFigures{}},
	{ID: EvBlunted, Source: ofResponse, Figures: RatioFigures{}},
	{ID: EvDrugs, Source: "classes: docs/rules.md, Drugs", Figures: NamesFigures{}},
	{ID: EvCoded, Source: "ICD-10, in part from memory", Figures: NamesFigures{}},
}

const (
	ofCauses   = "policy of the site"
	ofResponse = "Norcliffe-Kaufmann 2018, Ann Neurol 83:522"
)

// VolumeFigures tell a volume in mL, MassFigures a change in kg, HaemoglobinFigures a
// fall in g/dL, RatioFigures a pulse rise over a drop in beats/min per mmHg, and
// NamesFigures names of drugs, or codes with what they stand for.
type (
	VolumeFigures      struct{ ML float64 }
	MassFigures        struct{ KG float64 }
	HaemoglobinFigures struct{ GramsPerDL float64 }
	RatioFigures       struct{ Ratio float64 }
	NamesFigures       struct{ Names []string }
)

// OfRule marks the figures of a rule.
func (VolumeFigures) OfRule()      {}
func (MassFigures) OfRule()        {}
func (HaemoglobinFigures) OfRule() {}
func (RatioFigures) OfRule()       {}
func (NamesFigures) OfRule()       {}

// ChangeRules are the kinds of change of an ordered dose (E-CHANGE).
var ChangeRules = ruled("policy of the site (E-CHANGE)", Started, Resumed, Raised, Lowered, Held, StoppedDrug, RouteChanged)

// NoteRules are the notes on the quality of a set.
var NoteRules = ruled("CDC STEADI, RCP 2017 (from memory), AHRQ falls toolkit 3F",
	NoteRestNotCharted, NoteRestShort, NoteStandingNotCharted, NoteNoOneMinute, NoteNoThreeMinutes, NotePulseMissing,
	NoteLimbNotCharted, NoteLimbChanged, NoteNeverStood, NoteRestrictedLimb, NoteStoppedEarly, NoteImplausible)

// ruled are rules of one source without figures.
func ruled(source string, ids ...string) []clinical.Rule {
	out := make([]clinical.Rule, len(ids))
	for n, id := range ids {
		out[n] = clinical.Rule{ID: id, Source: source}
	}
	return out
}
