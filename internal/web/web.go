// Package web puts the rooms, each a group of pages, into one frame. It decides nothing:
// every finding comes from the core, every sentence from the catalogue.
package web

import (
	"context"
	"log/slog"
	"net/http"
	"net/netip"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/codebook"
	"plumbline/internal/feedcheck"
	"plumbline/internal/idp"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/records"
	"plumbline/internal/web/account"
	"plumbline/internal/web/admin"
	"plumbline/internal/web/api"
	"plumbline/internal/web/asked"
	"plumbline/internal/web/bedside"
	"plumbline/internal/web/doses"
	"plumbline/internal/web/falls"
	"plumbline/internal/web/feeds"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/huddle"
	"plumbline/internal/web/parts"
	"plumbline/internal/web/patient"
	"plumbline/internal/web/unit"
)

// Answers is all that is asked about units, stays and falls; *assess.Service is one.
type Answers interface {
	frame.Finder
	frame.Ages
	huddle.Patients
	unit.Figures
	falls.Falls
}

// Deps is all that the pages are given. What may be nil says so at its room.
type Deps struct {
	Answers     Answers
	Policy      policy.InForce
	Policies    *policybook.Book
	Codes       *codebook.Book
	Checks      *feedcheck.Book
	Watch       *feedcheck.Watch
	Feeds       parts.Feeds
	Desk        *feeds.Desk
	Clock       clinical.Clock
	Zone        *time.Location
	Version     string
	Hospital    string
	Log         *slog.Logger
	Ready       func(context.Context) error
	Lease       func() *records.Lease // who reads the feeds; nil: there is one instance alone
	DataState   func(context.Context) (string, error)
	Landed      func(context.Context) (time.Time, error) // when facts last came in
	Episodes    *care.Service
	DoseReviews doses.DoseReviews
	Sets        bedside.SetKeeper
	UnitChanges unit.Changes
	Outbox      parts.Outbox // what goes to the record; nil: nothing does
	Shift       huddle.Shift // nil: no beds are given, no notes kept
	// Accounts says who is signed in, Tokens which machine asks.
	Accounts      *auth.Service
	Tokens        *auth.Tokens
	Screens       *auth.Screens // nil: no display can be enrolled
	Demo          []account.DemoAccount
	SignInService *idp.Service
	Launches      *account.Record // the record that opens pages here; nil: none does
	// Note writes an entry of the audit, Audit reads it.
	Note           func(context.Context, records.AuditEntry) error
	Audit          admin.AuditReader
	TrustedProxies []netip.Prefix
}

// New makes the handler of every page and document. It panics if an embedded template
// is wrong.
func New(d Deps) http.Handler {
	f, routes := assemble(d)
	return f.Handler(routes)
}

// Pages are the patterns of every page for people, such as /units/:unit.
func Pages() []string {
	_, routes := assemble(Deps{})
	return frame.PagesOf(routes)
}

// assemble makes the frame, and the table of the routes of every room.
func assemble(d Deps) (*frame.Frame, []frame.Route) {
	given := frame.Deps{
		Finder: d.Answers, Ages: d.Answers, DataState: d.DataState, Landed: d.Landed, Policy: d.Policy, Clock: d.Clock,
		Zone: d.Zone, Version: d.Version, Hospital: d.Hospital,
		Log: d.Log, Accounts: d.Accounts, Tokens: d.Tokens, Screens: d.Screens, TakesSets: d.Sets != nil, Note: d.Note,
		TrustedProxies: d.TrustedProxies,
	}
	ofHuddle := huddle.Deps{Patients: d.Answers, Feeds: d.Feeds, DataState: d.DataState, Shift: d.Shift}
	ofPatient := patient.Deps{DoseReviews: d.DoseReviews, Outbox: d.Outbox}
	ofAsked := asked.Deps{Patients: d.Answers, DoseReviews: d.DoseReviews}
	if d.Shift != nil {
		ofPatient.Shift, ofAsked.Notes = d.Shift, d.Shift
	}
	ofAPI := api.Deps{Lists: d.Answers, Feeds: d.Feeds, Ready: d.Ready, Lease: d.Lease}
	if d.Sets != nil {
		ofHuddle.Facts, ofPatient.Charted, ofAsked.Facts = d.Sets, d.Sets, d.Sets
		ofAPI.Sets = d.Sets
	}
	ofDoses := doses.Deps{Lists: d.Answers, DoseReviews: d.DoseReviews}
	ofUnit := unit.Deps{Figures: d.Answers, Changes: d.UnitChanges}
	ofBedside := bedside.Deps{Patients: d.Answers, Sets: d.Sets, Outbox: d.Outbox}
	ofFeeds := feeds.Deps{Feeds: d.Feeds, Desk: d.Desk, Outbox: d.Outbox}
	if d.Checks != nil {
		given.Unchecked, ofFeeds.Checks = d.Checks.Unchecked, d.Checks
	}
	if d.Watch != nil {
		given.Gaps, ofFeeds.Watch = d.Watch.OnList, d.Watch
	}
	if d.Episodes != nil { // a nil pointer in an interface is not nil
		given.Episodes, ofHuddle.Episodes, ofPatient.Episodes = d.Episodes, d.Episodes, d.Episodes
		ofDoses.Episodes, ofUnit.Episodes, ofAsked.Episodes = d.Episodes, d.Episodes, d.Episodes
		ofBedside.Episodes, ofFeeds.Episodes = d.Episodes, d.Episodes
	}
	f := frame.New(given)
	var routes []frame.Route
	for _, room := range [][]frame.Route{
		own(f),
		huddle.Routes(f, ofHuddle),
		patient.Routes(f, ofPatient),
		doses.Routes(f, ofDoses),
		asked.Routes(f, ofAsked),
		falls.Routes(f, falls.Deps{Falls: d.Answers}),
		unit.Routes(f, ofUnit),
		bedside.Routes(f, ofBedside),
		feeds.Routes(f, ofFeeds),
		account.Routes(f, account.Deps{Demo: d.Demo, SignInService: d.SignInService, Launches: d.Launches}),
		admin.Routes(f, admin.Deps{Policies: d.Policies, Codes: d.Codes, Audit: d.Audit}),
		api.Routes(f, ofAPI),
	} {
		routes = append(routes, room...)
	}
	return f, routes
}
