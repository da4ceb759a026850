package text

import (
	"strconv"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// Words of the core as people read them, by the core's word: en/words holds them.
var (
	TierNames        = named[string]("tiers")
	TierIntros       = named[string]("tier-intros") // what a tier asks of its reader
	RecheckStates    = named[string]("recheck-states")
	Findings         = named[string]("findings")
	Kinds            = named[string]("kinds") // of sets
	Timings          = named[trends.Word]("timings")
	Grades           = named[string]("grades") // of the quality of sets
	ContributorNames = named[string]("contributors")
	FactKinds        = named[clinical.Kind]("fact-kinds") // one of each
	LaterWords       = named[string]("later")             // what a version that was charted later did
	EpisodeKinds     = named[records.EpisodeKind]("episode-kinds")
	EndingReasons    = named[string]("endings")      // by what evidence an episode ended
	ClosingReasons   = named[string]("closings")     // for what reason a person closed it
	ListAnswers      = named[string]("list-answers") // of the questions of a unit's list
	ListSigns        = named[string]("list-signs")   // marks of a patient
	RoleNames        = named[string]("roles")
	RoleSays         = named[string]("role-says")  // what a role is for
	ScopeSays        = named[string]("scope-says") // what the scope of a machine's token is for
)

// Criteria are the criteria of a set as people read them, with their rules.
var Criteria = map[string]Rule{
	trends.CritSystolic:  {"F-SYS", spoken.word("criteria", trends.CritSystolic)},
	trends.CritDiastolic: {"F-DIA", spoken.word("criteria", trends.CritDiastolic)},
	trends.CritLow:       {"F-LOW", spoken.word("criteria", trends.CritLow)},
	trends.CritStopped:   {"F-STOP", spoken.word("criteria", trends.CritStopped)},
	trends.CritPulse:     {"F-PULSE", spoken.word("criteria", trends.CritPulse)},
	trends.CritNotable:   {"F-PULSE", spoken.word("criteria", trends.CritNotable)},
	trends.CritSupine:    {"F-SUPINE", spoken.word("criteria", trends.CritSupine)},
}

// What is said of precautions where there is none to list.
var (
	PrecautionsDied       = spoken.word("precautions", "died")
	PrecautionsNotAsked   = spoken.word("precautions", "not-asked")
	PrecautionsNotCarried = spoken.word("precautions", "not-carried")
	PrecautionsNotTold    = spoken.word("precautions", "not-told")
	PrecautionsAll        = spoken.word("precautions", "all")
)

// Notes are the notes on the quality of a set as people read them.
func Notes(notes []string) []string { return spoken.wordsOf(notes) }

// Response says how the pulse answered a systolic drop.
func Response(s trends.Set) string {
	if s.PulseRatio == nil {
		return ""
	}
	return sayResponse(Catalogue{}, s)
}

// Sustained says whether a drop lasted.
func Sustained(w trends.Word) string { return saySustained(Catalogue{}, w) }

// clearingFigures are what a sentence about clearing tells.
type clearingFigures struct {
	trends.Serial
	Policy clinical.Policy
}

// Clearing says what has been reached, and what would clear a positive stay.
func (c Catalogue) Clearing(s trends.Serial, p clinical.Policy) string {
	return sayClearing(c, clearingFigures{s, p})
}

// Counts says how many sets a stay has and how they ended.
func Counts(s trends.Serial) string { return sayCounts(Catalogue{}, s) }

// dailyFigures are an ordered daily dose: nil is on, in an amount that is not known.
type dailyFigures struct {
	Dose *float64
	Unit string
}

// Daily writes an ordered daily dose.
func Daily(v *float64, unit string) string { return sayDaily(Catalogue{}, dailyFigures{v, unit}) }

// Change says what changed of a drug.
func Change(c trends.Change) string { return sayChange(Catalogue{}, c) }

// Balance says a fluid balance over a window of so many hours, and how well it
// is charted.
func Balance(b trends.Balance) string { return sayBalance(Catalogue{}, b) }

// Load says the blood-pressure-lowering load and what it rests on.
func Load(e trends.Exposures) string { return sayLoad(Catalogue{}, e) }

// Injury says what is known of a fall's injury.
func Injury(word string) string { return sayInjury(Catalogue{}, word) }

// Drops writes the largest drops of a set; a rise is said as one.
func Drops(s trends.Set) string { return sayDrops(Catalogue{}, s) }

// Pressure writes a pressure; what was not charted shows as such.
func Pressure(systolic, diastolic *float64) string {
	if systolic == nil && diastolic == nil {
		return Say("parts.not-charted")
	}
	one := func(v *float64) string {
		if v == nil {
			return "–"
		}
		return Figure(*v)
	}
	return one(systolic) + "/" + one(diastolic)
}

// PressureOr writes a pressure, or why there is none.
func PressureOr(why trends.Word, systolic, diastolic *float64) string {
	if why != "" {
		return Word(string(why))
	}
	return Pressure(systolic, diastolic)
}

// setTold is a set as a line tells it.
type setTold struct {
	trends.Set
	Before string // what has overtaken a negative one
	Told   bool   // the same line tells already that it is positive, and how
}

// SetLine writes a set of a stay in a line: pressures, drops, finding, what has overtaken it,
// and quality.
func SetLine(d trends.Digest, s trends.Set) string {
	return saySetLine(Catalogue{}, setTold{Set: s, Before: Overtaken(d, s)})
}

// Overtaken says from before what a negative set is; "" where nothing has overtaken it.
func Overtaken(d trends.Digest, s trends.Set) string {
	if by := d.Overtaken(s); by != nil {
		return sayOvertaken(Catalogue{}, *by)
	}
	return ""
}

// OvertakenAt is Overtaken with its time.
func (c Catalogue) OvertakenAt(d trends.Digest, s trends.Set) string {
	if by := d.Overtaken(s); by != nil {
		return sayOvertakeAt(c, *by)
	}
	return ""
}

// Found is the finding of a set of a stay with all that belongs to it: of a positive one
// figure, timing and course, of a negative one what has overtaken it.
func Found(d trends.Digest, s trends.Set) string {
	if before := Overtaken(d, s); before != "" {
		return Findings[s.Finding] + " " + before
	}
	return Findings[s.Finding] + How(s)
}

// How says by which figure a set is positive, when the drop came and whether it lasted, as
// the rest of a line that says so; "" of other sets.
func How(s trends.Set) string { return sayHow(Catalogue{}, s) }

// HowBesideDrops is How for a line that tells the drops too.
func HowBesideDrops(s trends.Set) string { return sayBeside(Catalogue{}, s) }

// AtRest says what was felt at rest, before a set: no symptom of standing; "" for nothing.
func AtRest(s trends.Set) string { return sayAtRest(Catalogue{}, s.AtRest) }

// Word is a word of the core as it is said; free text of a feed as it stands.
func Word(word string) string { return spoken.word("core", word) }

// Lasted says of a positive set when its drop came and whether it stayed; "" of others.
func Lasted(s trends.Set) string { return sayLasted(Catalogue{}, s) }

// DropFigures writes the largest drops of a set, systolic and diastolic, in mmHg; a rise has
// a sign.
func DropFigures(s trends.Set) string { return sayDropFigures(Catalogue{}, s) }

// stripFigures are the sets that a strip of drops shows.
type stripFigures struct {
	Positive int
	Drops    []string
}

// Strip says the systolic drops of sets in their order.
func Strip(sets []trends.Set) string {
	var f stripFigures
	for _, s := range sets {
		if s.Finding == trends.Positive {
			f.Positive++
		}
		drop := "?"
		if s.Interpretable() && s.SystolicDrop != nil {
			drop = Figure(*s.SystolicDrop)
		}
		f.Drops = append(f.Drops, drop)
	}
	return sayStrip(Catalogue{}, f)
}

// P writes a p-value with two significant digits.
func P(p float64) string { return sayP(Catalogue{}, p) }

// SmallestP says the smallest p-value that so few sets can give; nothing under 0.001.
func SmallestP(p float64) string { return saySmallest(Catalogue{}, p) }

func digits2(v float64) string { return strconv.FormatFloat(v, 'g', 2, 64) }
