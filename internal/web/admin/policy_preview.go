package admin

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// proposal is a policy that somebody wants in force.
type proposal struct {
	policy policy.Loaded
	number *int64 // the version to return to; nil: values of its own
	base   int64  // the version that they had before them
	note   string
}

// proposed reads a form that proposes a policy: an earlier version, a text, or a
// value for each key. Where its values cannot serve, instead is the form that says why.
func (s *service) proposed(c *frame.Request) (p proposal, form url.Values, instead frame.Page, err error) {
	if form, err = s.Form(c); err != nil {
		return p, nil, nil, err
	}
	if s.Policies.File != "" {
		says := text.Say("policy.is-file-says", s.Policies.File)
		return p, nil, nil, frame.Told(http.StatusConflict, text.Say("policy.is-file"), says)
	}
	p.note = form.Get("note")
	p.base, _ = strconv.ParseInt(form.Get("base"), 10, 64)
	if form.Has("number") {
		number, err := strconv.ParseInt(form.Get("number"), 10, 64)
		if err != nil {
			return p, nil, nil, clinical.Errorf(clinical.NotFound, "there is no such version")
		}
		p.number = &number
		_, p.policy, err = s.Policies.ByNumber(c.Request.Context(), number)
		return p, form, nil, err
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
		v := policyView{Base: p.base, Pasted: pasted}
		instead, err = s.showPolicy(c, http.StatusUnprocessableEntity, typed, problems, v)
	}
	return p, form, instead, err
}

// previewView is what a policy would change, with the form that saves it.
type previewView struct {
	frame.Layout
	Action   string // of the form that saves
	Number   *int64
	Name     string // of the version that would be in force again
	InForce  versionLine
	At       *frame.Moment
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
func (s *service) previewPolicy(c *frame.Request) (frame.Page, error) {
	p, form, instead, err := s.proposed(c)
	switch {
	case err != nil || instead != nil:
		return instead, err
	case form.Get("edit") != "":
		return s.showPolicy(c, http.StatusOK, url.Values(policy.Values(p.policy.Policy)), nil, policyView{Base: p.base})
	default:
		return s.showPreview(c, http.StatusOK, p, "")
	}
}

func (s *service) showPreview(c *frame.Request, status int, p proposal, wrong string) (frame.Page, error) {
	ctx := c.Request.Context()
	preview, err := s.Policies.Preview(ctx, p.policy)
	if err != nil {
		return nil, err
	}
	now := preview.InForce
	c.Request = c.Request.WithContext(policy.Pin(ctx, now.Policy)) // for the frame
	v := previewView{
		Layout: s.Layout(c, text.Say("policy.changes-heading")).At("/policy"), Action: "/policy", Number: p.number,
		InForce: s.versionLine(now.Version), At: s.Times(preview.At, false).Moment(preview.At),
		Changes: text.PolicyChanges(preview.Changes), Warnings: text.PolicyWarnings(preview.Warnings),
		YAML: policy.Short(p.policy.Policy), Seen: p.policy.Hash, Base: now.Version.Number,
		Note: p.note, MaxNote: policybook.MaxNote, Error: wrong,
	}
	if p.number != nil {
		v.Action, v.Name = "/policy/return", versionName(*p.number)
	}
	v.count(preview.Units)
	var units []string
	for _, u := range preview.Units {
		units = append(units, u.Unit)
	}
	v.Old = s.OldLists(ctx, units, frame.Asked{At: preview.At, Live: true})
	if v.Since, err = s.since(ctx, p.base, now.Version.Number); err != nil {
		return nil, err
	}
	return frame.Show(status, "policypreview", v)
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
	v.Patients, v.Moved = text.Plural(
		patients, text.Say("policy.patient"), text.Say("policy.patients"),
	), strconv.Itoa(moved)
}

// mostSince bounds how many of the versions that others saved are told.
const mostSince = 10

// since tells the versions after one, the newest first, with what each changed.
func (s *service) since(ctx context.Context, base, latest int64) ([]versionLine, error) {
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
		line.Changes = text.PolicyChanges(policy.Differences(before.Policy, l.Policy))
		lines = append(lines, line)
	}
	return lines, nil
}

func (s *service) savePolicy(c *frame.Request) (frame.Page, error) { return s.change(c, false) }

func (s *service) returnPolicy(c *frame.Request) (frame.Page, error) { return s.change(c, true) }

// change puts a policy in force whose preview was seen.
func (s *service) change(c *frame.Request, returns bool) (frame.Page, error) {
	p, form, instead, err := s.proposed(c)
	if err != nil || instead != nil {
		return instead, err
	}
	if returns != (p.number != nil) {
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("policy.wrong"), text.Say("policy.not-complete"))
	}
	change := policybook.Change{After: p.base, Seen: form.Get("seen"), Who: frame.AccountOf(c).Name, Note: p.note}
	// What cannot be written to the audit is not done.
	if err := s.Noted(
		c,
		records.AuditEntry{Did: audit.Manage, Outcome: "asked for policy " + frame.ShortHash(p.policy.Hash), Note: cutNote(p.note)},
	); err != nil {
		return nil, err
	}
	var v records.PolicyVersion
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
		return frame.SeeOther("/policy?saved=1")
	case clinical.Invalid:
		return s.showPreview(c, http.StatusUnprocessableEntity, p, frame.Sentence(err))
	case clinical.Conflict:
		return s.showPreview(c, http.StatusConflict, p, "")
	default:
		return nil, err
	}
}

// noteOutcome writes to the audit what became of a change of the policy. It is done
// by then: where the entry cannot be written, the log says so.
func (s *service) noteOutcome(c *frame.Request, outcome, note string) {
	if err := s.Record(c, records.AuditEntry{Did: audit.Manage, Outcome: outcome, Note: cutNote(note)}); err != nil {
		s.Log.Error(
			"the outcome of a change of the policy is not in the audit; that it was asked for is", "outcome", outcome, "error",
			err,
		)
	}
}

// cutNote bounds a note that was not checked yet.
func cutNote(note string) string {
	if r := []rune(note); len(r) > policybook.MaxNote {
		return string(r[:policybook.MaxNote])
	}
	return note
}
