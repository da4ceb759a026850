package parts

import (
	"math"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// Set is a set with every reading.
type Set struct {
	Drawn
	ID        string // for links to it
	At        *frame.Moment
	Kind      string
	Where     string // given in the feed, or inferred
	Finding   string
	Says      string
	Before    string // what has overtaken a negative one; "" else
	Grade     string
	Filled    bool
	Notes     []string
	Readings  []readingView
	Criteria  []ReasonView
	Timing    string
	Sustained string
	Response  string
	Lying     string
	Drops     string
	Pulse     string
	Symptoms  []string
	AtRest    string // what was felt before it; "" for nothing
	Stopped   bool
	Facts     string
	Near      string // another set within minutes of it; "" where none is known
}

type readingView struct {
	Time, Position, Minutes, Pressure, Pulse, Limb, Drops, Rise string
	Baseline                                                    bool
}

func SetOf(t frame.Times, d trends.Digest, set trends.Set) Set {
	v := Set{
		Drawn: DrawnOf(d, set),
		ID:    "set-" + set.StartedAt.UTC().Format("20060102T150405"), At: t.MomentAgo(set.StartedAt),
		Kind:  text.Kinds[set.Kind],
		Where: text.Say("stay.set-given", set.SetID), Finding: set.Finding, Says: text.Findings[set.Finding],
		Grade: text.Grades[set.Quality], Filled: set.Quality == trends.Complete, Notes: text.Notes(set.QualityNotes),
		Timing: text.Timings[set.Timing], Sustained: text.Sustained(set.Sustained), Response: text.Response(set),
		Before: t.OvertakenAt(d, set),
		Lying:  string(set.LyingPressure), Drops: text.Drops(set), Symptoms: set.Symptoms, Stopped: set.StoppedEarly, AtRest: text.AtRest(set),
		Facts: strings.Join(set.Facts, ", "),
	}
	if set.Inferred() {
		v.Where = text.Say("stay.set-inferred")
	}
	if set.PulseRise != nil {
		v.Pulse = text.Signed(*set.PulseRise) + " beats/min"
		if set.PulseRisePercent != nil {
			v.Pulse += " (" + text.Signed(*set.PulseRisePercent) + " %)"
		}
	}
	for _, word := range set.Criteria {
		criterion := text.Criteria[word]
		v.Criteria = append(v.Criteria, ReasonView{criterion.Text, t.Rule(criterion.ID)})
	}
	if b := set.Baseline; b != nil {
		v.Readings = append(v.Readings, readingView{
			Time: t.Time(b.TakenAt), Position: string(b.Position), Minutes: minutes(b.Minutes, text.Say("stay.rested")),
			Pressure: text.PressureOr(b.WhyNone, b.Systolic, b.Diastolic), Pulse: Number(b.HeartRate), Limb: word(b.Limb), Baseline: true,
			Drops: Dash, Rise: Dash,
		})
	}
	for _, u := range set.Upright {
		from := text.Say("stay.upright")
		if u.MinutesFrom == trends.FromTimestamps {
			from = text.Say("stay.upright-at-most")
		}
		v.Readings = append(v.Readings, readingView{
			Time: t.Time(u.TakenAt), Position: string(u.Position), Minutes: minutes(u.Minutes, from),
			Pressure: text.PressureOr(u.WhyNone, u.Systolic, u.Diastolic), Pulse: Number(u.HeartRate), Limb: word(u.Limb),
			Drops: Number(u.SystolicDrop) + " / " + Number(u.DiastolicDrop), Rise: rise(u.PulseRise),
		})
	}
	return v
}

func rise(v *float64) string {
	if v == nil {
		return Dash
	}
	return text.Signed(*v)
}

func word(w trends.Word) string {
	if w == "" {
		return text.Say("stay.not-charted")
	}
	return string(w)
}

func minutes(v *float64, what string) string {
	if v == nil {
		return text.Say("stay.not-charted")
	}
	return text.Say("stay.minutes", text.Figure(*v), what)
}

// near is how close two sets begin that are named as such.
const near = 20 * time.Minute

// NearOf says that another set of the stay began minutes before or after a set: two people
// may have measured one patient; "" where none did.
func NearOf(sets []trends.Set, set trends.Set) string {
	for _, other := range sets {
		apart := set.StartedAt.Sub(other.StartedAt)
		if other.SetID == set.SetID && apart == 0 || apart.Abs() > near {
			continue
		}
		minutes := text.Figure(math.Round(apart.Abs().Minutes()))
		if apart >= 0 {
			return text.Say("parts.near-before", minutes)
		}
		return text.Say("parts.near-after", minutes)
	}
	return ""
}

// SetLine is a set in one line.
type SetLine struct {
	Drawn
	At       *frame.Moment
	Kind     string
	From, To string // pressures lying and standing
	FromWord string
	ToWord   string
	Drop     string // "34 systolic, 12 diastolic"
	Finding  string // a word of the rules, for its mark
	Says     string
	How      string // by what a positive one is positive, and how long; "" of others
	Beside   string // the same beside the drops
	Before   string // what has overtaken a negative one; "" else
	Grade    string
	Filled   bool // drawn filled: quality complete
	Notes    []string
	Symptoms []string
	AtRest   string // what was felt before standing; "" for nothing
}

// TrendView is an arrow and the words that it stands for.
type TrendView struct{ Arrow, Words string }

var arrows = map[string]string{trends.Worsening: "↗", trends.Improving: "↘", trends.Steady: "→"}

func TrendOf(s trends.Serial) TrendView { return TrendView{arrows[s.Trend], text.Trend(s)} }

// dash stands for what was not charted.
const Dash = "–"

func Number(v *float64) string {
	if v == nil {
		return Dash
	}
	return text.Figure(*v)
}

func SetLineOf(t frame.Times, d trends.Digest, set trends.Set) *SetLine {
	l := &SetLine{
		Drawn: DrawnOf(d, set),
		At:    t.MomentAgo(set.StartedAt), Kind: text.Kinds[set.Kind], From: "not charted", To: "not charted",
		FromWord: "lying", ToWord: "standing",
		Finding: set.Finding, Says: text.Findings[set.Finding], Grade: text.Grades[set.Quality],
		Filled: set.Quality == trends.Complete, Notes: text.Notes(set.QualityNotes), Symptoms: set.Symptoms,
		AtRest: text.AtRest(set),
	}
	if b := set.Baseline; b != nil {
		l.From, l.FromWord = text.PressureOr(b.WhyNone, b.Systolic, b.Diastolic), string(b.Position)
	} else if set.NoBaseline != "" {
		l.From = text.Word(string(set.NoBaseline))
	}
	if u := set.Decisive(); u != nil {
		l.To, l.ToWord = text.Pressure(u.Systolic, u.Diastolic), string(u.Position)
		if u.Minutes != nil {
			l.ToWord += " " + text.Figure(*u.Minutes) + " min"
		}
	} else if why := set.NoUpright(); why != "" {
		l.To, l.ToWord = text.Word(string(why)), string(set.Upright[len(set.Upright)-1].Position)
	} else if !slices.ContainsFunc(set.Upright, func(u trends.Upright) bool { return u.Position == clinical.Standing }) {
		l.ToWord = text.Say("parts.not-stood")
	}
	l.Before = t.OvertakenAt(d, set)
	l.Drop, l.How, l.Beside = text.Drops(set), text.How(set), text.HowBesideDrops(set)
	return l
}
