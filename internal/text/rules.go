package text

import (
	"strconv"
	"strings"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/trends"
)

// family is a part of the table of rules that stands under one heading.
type family struct {
	name  string // of its file in en/rules
	rules []clinical.Rule
}

// families are the table of rules, in the order of the page of rules. Each part stands
// with the code that follows it.
var families = []family{
	{"tiers", alerts.TierRules},
	{"rechecks", alerts.RecheckRules},
	{"answers", alerts.AnswerRules},
	{"precautions", alerts.PrecautionRules},
	{"flags", alerts.FlagRules},
	{"findings", trends.FindingRules},
	{"serial", trends.SerialRules},
	{"surroundings", trends.SurroundingRules},
	{"contradictions", episodes.ContradictionRules},
	{"evidence", trends.EvidenceRules}, // from here on: said, and not explained by themselves
	{"changes", trends.ChangeRules},
	{"notes", trends.NoteRules},
}

// ruleOf is the entry of a rule.
func ruleOf(id string) (clinical.Rule, bool) {
	for _, f := range families {
		for _, r := range f.rules {
			if r.ID == id {
				return r, true
			}
		}
	}
	return clinical.Rule{}, false
}

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
	out := make([]RuleGroup, 0, len(families))
	for _, f := range families {
		words := spoken.families[f.name]
		if words.Name == "" {
			continue
		}
		group := RuleGroup{Name: words.Name, Intro: words.Intro}
		for _, r := range f.rules {
			group.Rules = append(group.Rules, Rule{r.ID, Catalogue{}.say(r.ID+".explains", p)})
		}
		out = append(out, group)
	}
	return out
}

func hours(v float64) string { return exact(v) + " h" }

// exact writes a number of the policy as it was set: nothing is rounded away.
func exact(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func exactSigned(v float64) string { return strings.Replace(exact(v), "-", "−", 1) }

// unsigned writes by how much something went down.
func unsigned(v float64) string { return strings.TrimPrefix(exact(v), "-") }
