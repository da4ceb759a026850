package admin

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// policyView is the policy in force as a form, with its versions.
type policyView struct {
	frame.Layout
	File     string // of the policy that is in force; then nothing can be changed here
	InForce  versionLine
	Hash     string
	Changes  []string // from the built-in policy
	Saved    bool
	Base     int64 // the version that the form began with
	Sections []sectionView
	Problems []parts.ProblemView
	Pasted   string
	Versions []versionLine
	Oldest   bool // further versions are not listed
}

type sectionView struct {
	ID, Name, Says string
	Fields         []fieldView
}

type fieldView struct {
	policy.Field
	Says    string // what the key sets
	ID      string
	Typed   string // a single value, or names one a line
	Options []parts.OptionView
	Error   string
}

// versionLine is a version in words.
type versionLine struct {
	Name, URL string
	At        *frame.Moment // nil for the built-in policy
	Who, Note string
	Returns   string
	Changes   []string
	InForce   bool
}

func versionURL(n int64) string { return "/policy/versions/" + strconv.FormatInt(n, 10) }

func versionName(n int64) string {
	if n == 0 {
		return text.Say("policy.built-in")
	}
	return text.Say("policy.version-n", n)
}

func (s *service) versionLine(v records.PolicyVersion) versionLine {
	l := versionLine{Name: versionName(v.Number), URL: versionURL(v.Number), Who: v.Who, Note: v.Note}
	if v.Number > 0 {
		l.At = s.Times(s.Minute(), false).Moment(v.SavedAt)
	}
	if v.ReturnsTo != nil {
		l.Returns = text.Say("policy.returns-to", versionName(*v.ReturnsTo))
	}
	return l
}

func (s *service) policyPage(c *frame.Request) (frame.Page, error) {
	return s.showPolicy(c, http.StatusOK, nil, nil, policyView{Saved: c.Query("saved") != ""})
}

// showPolicy shows the form with what was typed, or with the policy in force where
// nothing was.
func (s *service) showPolicy(
	c *frame.Request, status int, typed url.Values, problems []policy.Problem, v policyView,
) (frame.Page, error) {
	ctx := c.Request.Context()
	err := s.Policies.Refresh(ctx)
	var versions []records.PolicyVersion
	if err == nil {
		versions, err = s.Policies.Versions(ctx)
	}
	if err != nil {
		return nil, err
	}
	now := s.Policies.Current()
	c.Request = c.Request.WithContext(policy.Pin(ctx, now.Policy)) // for the frame
	v.Layout = s.Layout(c, text.Say("policy.heading")).At("/policy")
	v.File, v.InForce, v.Hash = now.File, s.versionLine(now.Version), now.Policy.Hash
	v.Changes = text.PolicyChanges(policy.Differences(policy.Default().Policy, now.Policy.Policy))
	if typed == nil {
		v.Base = now.Version.Number
		typed = url.Values(policy.Values(now.Policy.Policy))
	}
	v.Sections, v.Problems = sectionsOf(now.Policy.Policy, typed, problems)
	for _, version := range versions {
		l := s.versionLine(version)
		l.InForce = now.File == "" && version.Number == now.Version.Number
		v.Versions = append(v.Versions, l)
	}
	v.Oldest = len(versions) == policybook.MostVersions
	return frame.Show(status, "policy", v)
}

func fieldID(path string) string { return "k-" + strings.ReplaceAll(path, ".", "-") }

// sectionsOf is the form with the values as they were typed, and what is wrong.
func sectionsOf(p clinical.Policy, typed url.Values, problems []policy.Problem) ([]sectionView, []parts.ProblemView) {
	wrong := map[string][]string{}
	var list []parts.ProblemView
	for _, problem := range problems {
		says := text.PolicyFault(problem.Fault)
		if problem.Value != "" {
			says = strconv.Quote(problem.Value) + ": " + says
		}
		v := parts.ProblemView{Where: problem.Key, Says: says}
		if problem.Line > 0 {
			v.Line = text.Say("policy.line", problem.Line)
		} else if problem.Key != "" {
			wrong[problem.Key] = append(wrong[problem.Key], says)
			v.ID = fieldID(problem.Key)
		}
		list = append(list, v)
	}
	var sections []sectionView
	for _, section := range policy.Form(p) {
		v := sectionView{ID: "s-" + section.Name, Name: strings.ReplaceAll(section.Name, "_", " "), Says: section.Says}
		for _, f := range section.Fields {
			v.Fields = append(v.Fields, fieldOf(f, typed[f.Path], strings.Join(wrong[f.Path], "; ")))
		}
		sections = append(sections, v)
	}
	return sections, list
}

func fieldOf(f policy.Field, typed []string, wrong string) fieldView {
	v := fieldView{Field: f, Says: text.PolicyKeys[f.Path], ID: fieldID(f.Path), Error: wrong}
	choices := f.Choices
	switch f.Kind {
	case policy.Names:
		v.Typed = strings.Join(typed, "\n")
	case policy.SomeOf: // those that are on first: their order is kept
		choices = slices.Clone(typed)
		for _, choice := range f.Choices {
			if !slices.Contains(typed, choice) {
				choices = append(choices, choice)
			}
		}
	default:
		v.Typed = strings.Join(typed, " ")
	}
	for n, choice := range choices {
		v.Options = append(
			v.Options, parts.OptionView{ID: fmt.Sprintf("%s-%d", v.ID, n), Value: choice, On: slices.Contains(typed, choice)},
		)
	}
	return v
}

// typedIn are the values of a form that was sent, by key.
func typedIn(form url.Values) url.Values {
	typed := url.Values{}
	for _, section := range policy.Form(clinical.DefaultPolicy()) {
		for _, f := range section.Fields {
			values := form[f.Path]
			if f.Kind == policy.Names { // one a line
				values = strings.FieldsFunc(strings.Join(values, "\n"), func(r rune) bool { return r == '\n' || r == '\r' })
			}
			typed[f.Path] = values
		}
	}
	return typed
}
