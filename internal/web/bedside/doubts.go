package bedside

import (
	"math"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// doubt is what must be confirmed before a set is stored, each by a question of its own.
type doubt struct {
	option
	On bool // it was confirmed
}

// Unsure are the doubts that were not confirmed.
func (v setForm) Unsure() (out []doubt) {
	for _, d := range v.Doubts {
		if !d.On {
			out = append(out, d)
		}
	}
	return out
}

// doubtsOf are what a set is asked about before it is stored, as the script asks before each
// step: a patient put upright against what speaks against it, unless a provider has cleared it;
// what the set can no longer show; and a limb that must not be measured.
func doubtsOf(set bedside.Set, d trends.Digest, p clinical.Policy, confirmed []string) (out []doubt) {
	add := func(code, words string) {
		out = append(out, doubt{option{code, words}, slices.Contains(confirmed, code)})
	}
	if set.Upright() && set.Cleared == nil {
		for _, why := range againstStanding(set, alerts.Hindrances(d)) {
			words := text.Say("bedside.doubt-stood", why.Name)
			if why.Value == alerts.LyingLow {
				words += " " + text.Say("bedside.doubt-stood-low")
			}
			add("stood_"+strings.ReplaceAll(why.Value, " ", "_"), words)
		}
		if ask := toAskFirst(alerts.Hindrances(d)); len(ask) > 0 {
			add("stood_not_asked", text.Say("bedside.doubt-stood", text.List(text.Missing(ask))))
		}
	}
	if !set.Plain { // vital signs make no set
		for _, short := range trends.ShortfallsOf(vitalsOf(set), p) {
			add(short.What, shortfall(short))
		}
	}
	lifted := func(id string) bool {
		return slices.ContainsFunc(set.Lifted, func(l bedside.Lifted) bool { return l.SourceID == id })
	}
	for _, r := range d.Restrictions {
		if r.Limb == set.Limb && r.Holds(set.Baseline().TakenAt) && !lifted(r.SourceID) {
			add("restricted_limb", text.Say("bedside.doubt-limb", text.RestrictionBrief(r)))
			break
		}
	}
	return out
}

// warnedOf are the emergencies before a set whose patient was put upright all the same, unless a
// provider has cleared that since.
func warnedOf(set bedside.Set, warnings []alerts.Warning, t frame.Times, confirmed []string) (out []doubt) {
	if !set.Upright() {
		return nil
	}
	for _, w := range warnings {
		cleared := set.Cleared != nil && !set.Cleared.ClearedAt.Before(w.At)
		if cleared || w.At.After(set.Readings[1].TakenAt) {
			continue
		}
		code := warningCode(w)
		words := text.Say("bedside.doubt-stood", t.WarningBrief(w))
		out = append(out, doubt{option{code, words}, slices.Contains(confirmed, code)})
	}
	return out
}

// warningCode names the question about one emergency: a later one is asked about anew.
func warningCode(w alerts.Warning) string {
	return "after_" + strings.ReplaceAll(w.What, " ", "_") + "_" + w.At.UTC().Format(time.RFC3339)
}

// toAskFirst are the hindrances that block nothing, and of which a provider is to be asked before
// the patient stands: "none of these" at the bedside is no answer to what the chart holds.
func toAskFirst(hindrances []string) (out []string) {
	for _, why := range hindrances {
		if _, fracture := alerts.FractureOf(why); fracture || why == alerts.InjuryNoClearance {
			out = append(out, why)
		}
	}
	return out
}

func vitalsOf(set bedside.Set) []clinical.Vitals {
	out := make([]clinical.Vitals, len(set.Readings))
	for n, r := range set.Readings {
		out[n] = r.Vitals
	}
	return out
}

// shortfall says what a set falls short of, and what it can show all the same.
func shortfall(s trends.Shortfall) string {
	switch minutes := text.Figure(math.Floor(s.Minutes*10) / 10); s.What {
	case trends.ShortRest:
		return text.Say("bedside.doubt-rest", minutes)
	case trends.OldBaseline:
		return text.Say("bedside.doubt-old-base", text.Figure(math.Floor(s.Minutes)))
	case trends.TooEarly:
		return text.Say("bedside.doubt-early")
	default:
		return text.Say("bedside.doubt-late", minutes)
	}
}

// againstStanding are the reasons for which the patient of a set should not be stood up, each
// in words.
func againstStanding(set bedside.Set, hindrances []string) (out []option) {
	var atRest *float64 // sitting too: a set from there is inconclusive
	if b := set.Baseline(); b.Position != clinical.Standing {
		atRest = b.Systolic
	}
	for _, why := range alerts.Withheld(atRest, set.Holds, hindrances) {
		switch {
		case why == alerts.LyingLow:
			out = append(out, option{why, text.Say("bedside.withheld-low", text.Figure(trends.LowSystolic()))})
		case slices.Contains(clinical.StandingHolds, why):
			out = append(out, option{why, holdName(why)})
		default:
			out = append(out, option{why, text.List(text.Missing([]string{why}))})
		}
	}
	return out
}
