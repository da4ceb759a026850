package server

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/text"
)

// pinPolicy makes the whole answer to a request by one policy.
func (s *server) pinPolicy(c *gin.Context) {
	c.Request = c.Request.WithContext(policy.Pin(c.Request.Context(), s.Deps.Policy.Current()))
}

// policyOf is the policy of the request.
func (s *server) policyOf(c *gin.Context) policy.Loaded {
	return policy.For(c.Request.Context(), s.Deps.Policy)
}

// policyView is the policy in force as a form, with its versions.
type policyView struct {
	frame
	File     string // of the policy that is in force; then nothing can be changed here
	InForce  versionLine
	Hash     string
	Changes  []string // from the built-in policy
	Saved    bool
	Base     int64 // the version that the form began with
	Sections []sectionView
	Problems []problemView
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
	ID      string
	Typed   string // a single value, or names one a line
	Options []optionView
	Error   string
}

type optionView struct {
	ID, Value string
	On        bool
}

type problemView struct{ Line, Where, ID, Says string }

// versionLine is a version in words.
type versionLine struct {
	Name, URL string
	At        *moment // nil for the built-in policy
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

func (s *server) versionLine(v policybook.Version) versionLine {
	l := versionLine{Name: versionName(v.Number), URL: versionURL(v.Number), Who: v.Who, Note: v.Note}
	if v.Number > 0 {
		l.At = times{s.Board.Catalogue(s.minute()), false}.plain(v.SavedAt)
	}
	if v.ReturnsTo != nil {
		l.Returns = text.Say("policy.returns-to", versionName(*v.ReturnsTo))
	}
	return l
}

func (s *server) policyPage(c *gin.Context) {
	s.showPolicy(c, http.StatusOK, nil, nil, policyView{Saved: c.Query("saved") != ""})
}

// showPolicy shows the form with what was typed, or with the policy in force where
// nothing was.
func (s *server) showPolicy(c *gin.Context, status int, typed url.Values, problems []policy.Problem, v policyView) {
	ctx := c.Request.Context()
	err := s.Policies.Refresh(ctx)
	var versions []policybook.Version
	if err == nil {
		versions, err = s.Policies.Versions(ctx)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	now := s.Policies.Current()
	c.Request = c.Request.WithContext(policy.Pin(ctx, now.Policy)) // for the frame
	v.frame = s.frame(c, text.Say("policy.heading")).at("/policy")
	v.File, v.InForce, v.Hash = now.File, s.versionLine(now.Version), now.Policy.Hash
	v.Changes = policy.Differences(policy.Default().Policy, now.Policy.Policy)
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
	s.show(c, status, "policy", v)
}

func fieldID(path string) string { return "k-" + strings.ReplaceAll(path, ".", "-") }

// sectionsOf is the form with the values as they were typed, and what is wrong.
func sectionsOf(p clinical.Policy, typed url.Values, problems []policy.Problem) ([]sectionView, []problemView) {
	wrong := map[string][]string{}
	var list []problemView
	for _, problem := range problems {
		says := problem.Message
		if problem.Value != "" {
			says = strconv.Quote(problem.Value) + ": " + says
		}
		v := problemView{Where: problem.Key, Says: says}
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
	v := fieldView{Field: f, ID: fieldID(f.Path), Error: wrong}
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
		v.Options = append(v.Options, optionView{fmt.Sprintf("%s-%d", v.ID, n), choice, slices.Contains(typed, choice)})
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

// proposal is a policy that somebody wants in force.
type proposal struct {
	policy policy.Loaded
	number *int64 // the version to return to; nil: values of its own
	base   int64  // the version that they had before them
	note   string
}

// proposed reads a form that proposes a policy: an earlier version, a text, or a
// value for each key. It answers itself and returns false where there is none.
func (s *server) proposed(c *gin.Context) (proposal, url.Values, bool) {
	form, ok := s.form(c)
	if !ok {
		return proposal{}, nil, false
	}
	if s.Policies.File != "" {
		s.tell(c, http.StatusConflict, text.Say("policy.is-file"), text.Say("policy.is-file-says", s.Policies.File))
		return proposal{}, nil, false
	}
	p := proposal{note: form.Get("note")}
	p.base, _ = strconv.ParseInt(form.Get("base"), 10, 64)
	if form.Has("number") {
		number, err := strconv.ParseInt(form.Get("number"), 10, 64)
		if err != nil {
			s.notFound(c)
			return p, nil, false
		}
		p.number = &number
		if _, p.policy, err = s.Policies.ByNumber(c.Request.Context(), number); err != nil {
			s.fail(c, err)
			return p, nil, false
		}
		return p, form, true
	}
	var problems []policy.Problem
	typed, pasted := typedIn(form), ""
	if form.Has("yaml") {
		pasted, typed = form.Get("yaml"), nil
		var err error
		p.policy, err = policy.Load([]byte(pasted))
		var all *policy.Problems
		if errors.As(err, &all) {
			problems = all.List
		}
	} else {
		p.policy, problems = policy.ReadForm(typed)
	}
	if len(problems) > 0 {
		s.showPolicy(c, http.StatusUnprocessableEntity, typed, problems, policyView{Base: p.base, Pasted: pasted})
		return p, nil, false
	}
	return p, form, true
}

// previewView is what a policy would change, with the form that saves it.
type previewView struct {
	frame
	Action   string // of the form that saves
	Number   *int64
	Name     string // of the version that would be in force again
	InForce  versionLine
	At       *moment
	Changes  []string
	Warnings []string
	Units    []unitMovesView
	Patients string
	Moved    string
	YAML     string
	Seen     string
	Base     int64
	Note     string
	MaxNote  int
	Error    string
	Since    []versionLine // saved by others since the form was opened
}

type unitMovesView struct {
	Unit            string
	Patients, Moved int
	Moves           []string
}

// previewPolicy shows what a policy would change, or takes it back into the form.
func (s *server) previewPolicy(c *gin.Context) {
	p, form, ok := s.proposed(c)
	switch {
	case !ok:
	case form.Get("edit") != "":
		s.showPolicy(c, http.StatusOK, url.Values(policy.Values(p.policy.Policy)), nil, policyView{Base: p.base})
	default:
		s.showPreview(c, http.StatusOK, p, "")
	}
}

func (s *server) showPreview(c *gin.Context, status int, p proposal, wrong string) {
	ctx := c.Request.Context()
	preview, err := s.Policies.Preview(ctx, p.policy)
	if err != nil {
		s.fail(c, err)
		return
	}
	now := preview.InForce
	c.Request = c.Request.WithContext(policy.Pin(ctx, now.Policy)) // for the frame
	v := previewView{
		frame: s.frame(c, text.Say("policy.changes-heading")).at("/policy"), Action: "/policy", Number: p.number,
		InForce: s.versionLine(now.Version), At: times{s.Board.Catalogue(preview.At), false}.plain(preview.At),
		Changes: preview.Changes, Warnings: preview.Warnings,
		YAML: policy.Short(p.policy.Policy), Seen: p.policy.Hash, Base: now.Version.Number,
		Note: p.note, MaxNote: policybook.MaxNote, Error: wrong,
	}
	if p.number != nil {
		v.Action, v.Name = "/policy/return", versionName(*p.number)
	}
	v.count(preview.Units)
	if v.Since, err = s.since(ctx, p.base, now.Version.Number); err != nil {
		s.fail(c, err)
		return
	}
	s.show(c, status, "policypreview", v)
}

func (v *previewView) count(units []policybook.UnitMoves) {
	patients, moved := 0, 0
	for _, u := range units {
		patients, moved = patients+u.Patients, moved+u.Moved
		line := unitMovesView{Unit: u.Unit, Patients: u.Patients, Moved: u.Moved}
		for _, m := range u.Moves {
			line.Moves = append(line.Moves, text.Say("policy.move", m.Patients, text.TierNames[m.From], text.TierNames[m.To]))
		}
		v.Units = append(v.Units, line)
	}
	v.Patients, v.Moved = text.Plural(patients, text.Say("policy.patient"), text.Say("policy.patients")), strconv.Itoa(moved)
}

// mostSince bounds how many of the versions that others saved are told.
const mostSince = 10

// since tells the versions after one, the newest first, with what each changed.
func (s *server) since(ctx context.Context, base, latest int64) ([]versionLine, error) {
	var lines []versionLine
	for n := latest; n > max(base, 0) && len(lines) < mostSince; n-- {
		v, l, err := s.Policies.ByNumber(ctx, n)
		if err != nil {
			return nil, err
		}
		_, before, err := s.Policies.ByNumber(ctx, n-1)
		if err != nil {
			return nil, err
		}
		line := s.versionLine(v)
		line.Changes = policy.Differences(before.Policy, l.Policy)
		lines = append(lines, line)
	}
	return lines, nil
}

func (s *server) savePolicy(c *gin.Context) { s.change(c, false) }

func (s *server) returnPolicy(c *gin.Context) { s.change(c, true) }

// change puts a policy in force whose preview was seen.
func (s *server) change(c *gin.Context, returns bool) {
	p, form, ok := s.proposed(c)
	if !ok {
		return
	}
	if returns != (p.number != nil) {
		s.tell(c, http.StatusUnprocessableEntity, text.Say("policy.wrong"), text.Say("policy.not-complete"))
		return
	}
	change := policybook.Change{After: p.base, Seen: form.Get("seen"), Who: accountOf(c).Name, Note: p.note}
	// What cannot be written to the audit is not done.
	if !s.note(c, audit.Entry{Did: audit.Manage, Outcome: "asked for policy " + shortHash(p.policy.Hash), Note: cutNote(p.note)}) {
		return
	}
	var v policybook.Version
	var err error
	if returns {
		v, err = s.Policies.Return(c.Request.Context(), *p.number, change)
	} else {
		v, err = s.Policies.Save(c.Request.Context(), p.policy, change)
	}
	outcome := "in force as version " + strconv.FormatInt(v.Number, 10)
	if err != nil {
		outcome = "not changed: " + string(clinical.CodeOf(err))
	}
	s.noteOutcome(c, outcome, p.note)
	switch clinical.CodeOf(err) {
	case "":
		c.Redirect(http.StatusSeeOther, "/policy?saved=1")
	case clinical.Invalid:
		s.showPreview(c, http.StatusUnprocessableEntity, p, sentence(err))
	case clinical.Conflict:
		s.showPreview(c, http.StatusConflict, p, "")
	default:
		s.fail(c, err)
	}
}

// noteOutcome writes to the audit what became of a change of the policy. It is done
// by then: where the entry cannot be written, the log says so.
func (s *server) noteOutcome(c *gin.Context, outcome, note string) {
	if err := s.record(c, audit.Entry{Did: audit.Manage, Outcome: outcome, Note: cutNote(note)}); err != nil {
		s.Log.Error("the outcome of a change of the policy is not in the audit; that it was asked for is", "outcome", outcome, "error", err)
	}
}

// cutNote bounds a note that was not checked yet.
func cutNote(note string) string {
	if r := []rune(note); len(r) > policybook.MaxNote {
		return string(r[:policybook.MaxNote])
	}
	return note
}

// policyVersionView is one version with every value.
type policyVersionView struct {
	frame
	Shown    versionLine
	Number   int64
	Base     int64
	Hash     string
	Changes  []string // from the version before it; for the built-in policy none
	Back     []string // what a return to it changes
	Returns  bool     // a return is possible and changes something
	Sections []sectionView
}

func (s *server) policyVersionPage(c *gin.Context) {
	ctx := c.Request.Context()
	number, err := strconv.ParseInt(c.Param("number"), 10, 64)
	if err != nil {
		s.notFound(c)
		return
	}
	if err := s.Policies.Refresh(ctx); err != nil {
		s.fail(c, err)
		return
	}
	version, l, err := s.Policies.ByNumber(ctx, number)
	var before policy.Loaded
	if err == nil {
		_, before, err = s.Policies.ByNumber(ctx, max(number-1, 0))
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	now := s.Policies.Current()
	c.Request = c.Request.WithContext(policy.Pin(ctx, now.Policy)) // for the frame
	v := policyVersionView{
		frame: s.frame(c, text.Say("policy.section", versionName(number))).at("/policy"),
		Shown: s.versionLine(version), Number: number, Base: now.Version.Number, Hash: l.Hash,
		Changes: policy.Differences(before.Policy, l.Policy), Back: policy.Differences(now.Policy.Policy, l.Policy),
	}
	v.Shown.InForce = now.File == "" && number == now.Version.Number
	v.Returns = now.File == "" && !v.Shown.InForce && (len(v.Back) > 0 || number == 0 && !now.Version.BuiltIn())
	v.Sections, _ = sectionsOf(l.Policy, url.Values(policy.Values(l.Policy)), nil)
	s.show(c, http.StatusOK, "policyversion", v)
}
