package admin

import (
	"net/http"
	"net/url"
	"strconv"

	"plumbline/internal/policy"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// policyVersionView is one version with every value.
type policyVersionView struct {
	frame.Layout
	Shown    versionLine
	Number   int64
	Base     int64
	Hash     string
	Changes  []string // from the version before it; for the built-in policy none
	Back     []string // what a return to it changes
	Returns  bool     // a return is possible and changes something
	Sections []sectionView
}

func (s *service) policyVersionPage(c *frame.Request) (frame.Page, error) {
	ctx := c.Request.Context()
	number, err := strconv.ParseInt(c.Param("number"), 10, 64)
	if err != nil {
		return frame.NotFound()
	}
	if err := s.Policies.Refresh(ctx); err != nil {
		return nil, err
	}
	version, l, err := s.Policies.ByNumber(ctx, number)
	var before policy.Loaded
	if err == nil {
		_, before, err = s.Policies.ByNumber(ctx, max(number-1, 0))
	}
	if err != nil {
		return nil, err
	}
	now := s.Policies.Current()
	c.Request = c.Request.WithContext(policy.Pin(ctx, now.Policy)) // for the frame
	v := policyVersionView{
		Layout: s.Layout(c, text.Say("policy.section", versionName(number))).At("/policy"),
		Shown:  s.versionLine(version), Number: number, Base: now.Version.Number, Hash: l.Hash,
		Changes: text.PolicyChanges(policy.Differences(before.Policy, l.Policy)),
		Back:    text.PolicyChanges(policy.Differences(now.Policy.Policy, l.Policy)),
	}
	v.Shown.InForce = now.File == "" && number == now.Version.Number
	v.Returns = now.File == "" && !v.Shown.InForce && (len(v.Back) > 0 || number == 0 && !now.Version.BuiltIn())
	v.Sections, _ = sectionsOf(l.Policy, url.Values(policy.Values(l.Policy)), nil)
	return frame.Show(http.StatusOK, "policyversion", v)
}
