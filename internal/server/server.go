// Package server shows what the assessment says: pages, JSON documents, metrics.
// It decides nothing; every finding comes from the core, every sentence from the
// catalogue.
package server

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/netip"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/idp"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// Board answers questions about units and stays; *assess.Service is one.
type Board interface {
	// Units lists every unit that a stay has ever named.
	Units(ctx context.Context) ([]string, error)
	// Live ranks a unit at the current moment, List at any moment.
	Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error)
	List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error)
	Stay(ctx context.Context, stayID string, at time.Time) (assess.StayView, error)
	// Unit tells the figures of a unit over time.
	Unit(ctx context.Context, unit string, from, to time.Time, by string, now time.Time) (trends.UnitFigures, error)
	// Fall finds a fall by its source_id, ReviewFall what was known at a moment before
	// it; Falls are those of a unit.
	Fall(ctx context.Context, sourceID string, now time.Time) (assess.Fall, error)
	ReviewFall(ctx context.Context, f assess.Fall, at, now time.Time) (assess.FallReview, error)
	Falls(ctx context.Context, unit string, from, to, now time.Time) ([]assess.FallOnUnit, error)
	Catalogue(at time.Time) text.Catalogue
}

// FeedHealth is how the feeds stand.
type FeedHealth struct {
	FolderSet bool      // a feed folder is set
	LastRead  time.Time // when the folder was last read to its end; zero: never
	Trouble   string    // why the folder could not be read at the last look; "": it could
	// SilentSince is when the last load began, where the folder is not read as it
	// should be; zero: it is, or there was none.
	SilentSince time.Time
	Kinds       []FeedKind
	Telling     []Channel
	Files       []FeedFile
	HeldTotal   int // rows held back
	Waiting     int // rows that wait for their stay
}

// FeedFile is one file and its last reading.
type FeedFile struct {
	Name, Folder                 string
	LastRead                     time.Time
	Rows, Unchanged, Quarantined int
	Error                        string // "" where it was read
}

// filesShown are the files, read last, that the page of the feeds names besides those
// that could not be read.
const filesShown = 200

// FeedKind is one kind of facts of one feed: what became of its rows at the last load
// that brought any, and what of it is held back or waits now.
type FeedKind struct {
	Feed                string
	Kind                clinical.Kind
	ReadAt, NewAt       time.Time // the last load with rows, and with something new; zero: none
	NewestAt            time.Time // the latest recorded_at that it has brought; zero: none
	Accepted, Unchanged int
	Superseded, Waiting int
	Quarantined         int
	HeldNow, WaitingNow int
}

// Channel is how telling by one channel goes.
type Channel struct {
	Name         string
	LastSent     time.Time // zero: nothing yet
	FailingSince time.Time // zero: it works
	Trouble      string    // of the last attempt, while it is failing
	Waiting      int       // to be told still
	Oldest       time.Time // when the oldest that waits was made; zero: none does
	Failed       int       // given up in the last seven days
}

// Deps is all that the server is given.
type Deps struct {
	Board    Board
	Policy   policy.InForce
	Feeds    func(context.Context) (FeedHealth, error)
	Desk     FeedDesk // nil: rows held back are not shown
	Clock    clinical.Clock
	Zone     *time.Location
	Version  string
	Hospital string
	Log      *slog.Logger
	Ready    func(context.Context) error // nil error: ready to serve
	// DataState names the state of the data: a kept page holds while it stays the
	// same. Nil: a page holds for its minute.
	DataState func(context.Context) (string, error)
	// Accounts says who is signed in. Demo, where set, is shown on the sign-in page
	// to whoever sits at this machine.
	Accounts *auth.Service
	Demo     []DemoAccount
	// SignInService signs people in from elsewhere. Nil: there is none.
	SignInService *idp.Service
	// Tokens says which machine asks.
	Tokens *auth.Tokens
	// Policies keeps the versions of the policy, and puts them in force.
	Policies *policybook.Book
	// Episodes keeps what is owed. Nil: nothing is.
	Episodes *care.Service
	// DoseReviews keeps what pharmacists record.
	DoseReviews DoseReviews
	// Sets takes in the sets sent from the bedside. Nil: none can be sent.
	Sets SetKeeper
	// Assignments keeps who was given what is owed. Nil: nothing can be given to anybody.
	Assignments Assignments
	// Note writes an entry of the audit. Nil: nothing is noted.
	Note func(context.Context, audit.Entry) error
	// Audit reads the audit for its page.
	Audit AuditReader
	// TrustedProxies are those whose word is taken for a client's address and for
	// the encryption of its connection.
	TrustedProxies []netip.Prefix
}

type server struct {
	Deps
	pages   *pages
	assets  *assets
	metrics *metrics
	lists   listCache
	book    ruleBook
	rules   map[string]rule // by method and pattern

	crossOrigin http.CrossOriginProtection
}

// New makes the handler of every page and document. It panics if an embedded
// template is wrong: that is a fault of the program, seen at its start.
func New(d Deps) http.Handler {
	_, g := build(d)
	return g
}

func build(d Deps) (*server, *gin.Engine) {
	if d.Log == nil {
		d.Log = slog.New(slog.DiscardHandler)
	}
	if d.Zone == nil {
		d.Zone = time.UTC
	}
	assets := loadAssets()
	s := &server{Deps: d, assets: assets, pages: parsePages(assets.path)}
	s.metrics = newMetrics(d)

	gin.SetMode(gin.ReleaseMode)
	g := gin.New()
	g.UseRawPath, g.UnescapePathValues = true, true // a unit may hold a slash
	g.RedirectTrailingSlash = false
	g.HandleMethodNotAllowed = true
	_ = g.SetTrustedProxies(nil) // no address is taken from a header
	g.Use(s.observe, s.rescue, secure, s.pinPolicy, s.locate, s.bounded, s.sameSite, s.guard)
	s.register(g)
	g.NoRoute(s.nowhere)
	g.NoMethod(s.wrongMethod)
	return s, g
}

// minute is the moment for which live answers are given: the clock's, cut to the
// minute, so that everyone who looks within it sees the same.
func (s *server) minute() time.Time { return s.Clock().UTC().Truncate(time.Minute) }

func (s *server) healthz(c *gin.Context) { c.String(http.StatusOK, "ok\n") }

func (s *server) readyz(c *gin.Context) {
	if s.Ready != nil {
		if err := s.Ready(c.Request.Context()); err != nil {
			s.Log.Warn("not ready", "error", err)
			c.String(http.StatusServiceUnavailable, "not ready: the log says why\n")
			return
		}
	}
	c.String(http.StatusOK, "ready\n")
}

// home leads to the first unit that the account may see, an administrator without
// patients to the accounts, or says what to do where there is nothing to see.
func (s *server) home(c *gin.Context) {
	a := accountOf(c)
	units, err := s.unitsFor(c.Request.Context(), a)
	switch {
	case err != nil:
		s.fail(c, err)
	case len(units) > 0:
		c.Redirect(http.StatusSeeOther, unitURL(units[0]))
	case a.May(auth.ManageAccounts) && !a.May(auth.ViewList):
		c.Redirect(http.StatusSeeOther, "/accounts")
	default:
		s.show(c, http.StatusOK, "empty", emptyView{s.frame(c, text.Say("empty.heading")), unitsOf(a), a.May(auth.ViewFeeds)})
	}
}

type emptyView struct {
	frame
	Own       string // units of the account
	SeesFeeds bool
}

// unitsFor lists the units that the feeds have named and that the account may see.
func (s *server) unitsFor(ctx context.Context, a auth.Account) ([]string, error) {
	if !a.May(auth.ViewList) {
		return nil, nil
	}
	var own []string
	units, err := s.Board.Units(ctx)
	for _, u := range units {
		if a.OnUnit(u) {
			own = append(own, u)
		}
	}
	return own, err
}

// fail answers a request that could not be served: alike for what does not
// exist and what may not be seen, without patient data for everything else.
func (s *server) fail(c *gin.Context, err error) {
	if clinical.CodeOf(err) == clinical.NotFound {
		s.notFound(c)
		return
	}
	if errors.Is(err, context.Canceled) {
		c.Abort() // the reader has left
		return
	}
	s.Log.Error("request failed", "route", c.FullPath(), "code", string(clinical.CodeOf(err)), "error", err)
	s.broken(c)
}
