// Package admin is the pages of those who run the program: accounts, tokens, the audit
// and the policy.
package admin

import (
	"plumbline/internal/codebook"
	"plumbline/internal/policybook"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
)

// Deps is what these pages need besides the frame.
type Deps struct {
	// Policies keeps the versions of the policy, and puts them in force.
	Policies *policybook.Book
	// Codes keeps the site's table of codes.
	Codes *codebook.Book
	// Audit reads the audit for its page.
	Audit AuditReader
}

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to these pages.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	accounts, tokens := frame.May(records.ManageAccounts), frame.May(records.ManageTokens)
	policies := frame.May(records.ManagePolicy)
	return []frame.Route{
		frame.Get("/accounts", accounts, s.accountsPage),
		frame.Post("/accounts", accounts, s.addAccount),
		frame.Get("/accounts/:account", accounts, s.managePage),
		frame.Post("/accounts/:account", accounts, s.setGrants),
		frame.Post("/accounts/:account/disable", accounts, s.disableAccount),
		frame.Post("/accounts/:account/enable", accounts, s.enableAccount),
		frame.Post("/accounts/:account/password", accounts, s.resetPassword),
		frame.Post("/accounts/:account/sign-out", accounts, s.endSessions),

		frame.Get("/screens", accounts, s.screensPage),
		frame.Post("/screens", accounts, s.addScreen),
		frame.Post("/screens/:screen/end", accounts, s.endScreen),

		frame.Get("/tokens", tokens, s.tokensPage),
		frame.Post("/tokens", tokens, s.addToken),
		frame.Post("/tokens/:token/revoke", tokens, s.revokeToken),

		frame.Get("/audit", frame.May(records.ViewAudit), s.auditPage),

		frame.Get("/policy", policies, s.policyPage),
		frame.Post("/policy", policies, s.savePolicy),
		frame.Post("/policy/preview", policies, s.previewPolicy),
		frame.Get("/policy/versions/:number", policies, s.policyVersionPage),
		frame.Post("/policy/return", policies, s.returnPolicy),

		frame.Get("/codes", policies, s.codesPage),
		frame.Post("/codes", policies, s.saveCode),
	}
}
