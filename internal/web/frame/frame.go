// Package frame is what stands around every page: the router with its table of routes
// and the rule of each, who is signed in, the audit, errors as answers, rendering,
// static files and the bounds of a request. It knows no page; the rooms of
// internal/web do, each a group of pages.
package frame

import (
	"context"
	"log/slog"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/assess"
	"plumbline/internal/auth"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/feedcheck"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// Finder finds what the address of a page names. Errors carry clinical.NotFound where
// there is no such thing.
type Finder interface {
	// Units lists every unit that a stay has ever named.
	Units(ctx context.Context) ([]string, error)
	// StayPlace and FallPlace are the units by which a stay, as it was known at a moment, and
	// a fall, as it is known now, may be seen. They cost the same where there is none.
	StayPlace(ctx context.Context, stayID string, at time.Time) (assess.Place, error)
	FallPlace(ctx context.Context, sourceID string, now time.Time) (assess.Place, error)
	// Stay is a stay as it was known at a moment.
	Stay(ctx context.Context, stayID string, at time.Time) (assess.StayView, error)
	// Fall is a fall by its source_id, as it is known now.
	Fall(ctx context.Context, sourceID string, now time.Time) (assess.Fall, error)
}

// EpisodeFinder finds the episode that an address names.
type EpisodeFinder interface {
	Episode(ctx context.Context, id string) (care.History, error)
}

// Deps is all that the frame is given.
type Deps struct {
	Finder   Finder
	Policy   policy.InForce
	Clock    clinical.Clock
	Zone     *time.Location // nil: UTC
	Version  string
	Hospital string
	Log      *slog.Logger // nil: nothing is logged
	// Ages tells how old the list of a unit is. Nil: nothing is said of it.
	Ages Ages
	// Unchecked tells whether a unit is in commissioning. Nil: nothing is said of it.
	Unchecked func(ctx context.Context, unit string) (bool, error)
	// Gaps tells what the feeds of a unit do not bring as they should. Nil: nothing is said of it.
	Gaps func(ctx context.Context, unit string) ([]feedcheck.Gap, error)
	// DataState names the state of the data: what is kept of it holds while it stays the
	// same. Nil: for a minute.
	DataState func(context.Context) (string, error)
	// Landed tells when facts last came in. Nil: what comes within a minute shows in the next.
	Landed func(context.Context) (time.Time, error)
	// Accounts says who is signed in, Tokens which machine asks.
	Accounts *auth.Service
	Tokens   *auth.Tokens
	// Screens recognises displays on walls. Nil: none can be enrolled.
	Screens *auth.Screens
	// Episodes finds episodes. Nil: there are none, and no way leads to them.
	Episodes EpisodeFinder
	// TakesSets: sets can be sent from the bedside.
	TakesSets bool
	// Note writes an entry of the audit. Nil: nothing is noted.
	Note func(context.Context, records.AuditEntry) error
	// TrustedProxies are those whose word is taken for a client's address and for
	// the encryption of its connection.
	TrustedProxies []netip.Prefix
}

// Frame serves the pages that the rooms give it.
type Frame struct {
	Deps
	Pages   *Pages
	assets  *assets
	Metrics *Metrics
	book    ruleBook
	fresh   freshBook
	rules   map[string]Rule // by method and pattern

	crossOrigin http.CrossOriginProtection
}

// New makes a frame. It panics if an embedded template is wrong: that is a fault of the
// program, seen at its start.
func New(d Deps) *Frame {
	if d.Log == nil {
		d.Log = slog.New(slog.DiscardHandler)
	}
	if d.Zone == nil {
		d.Zone = time.UTC
	}
	e := embedded()
	return &Frame{Deps: d, assets: e.assets, Pages: e.pages, Metrics: newMetrics(d.Version)}
}

// embedded reads what the program carries, once: tests make many frames.
var embedded = sync.OnceValue(func() (e struct {
	assets *assets
	pages  *Pages
}) {
	e.assets = loadAssets()
	e.pages = parsePages(e.assets.path)
	return e
})

// Handler serves a table of routes, and the static files.
func (s *Frame) Handler(routes []Route) *gin.Engine {
	gin.SetMode(gin.ReleaseMode)
	g := gin.New()
	g.UseRawPath, g.UnescapePathValues = true, true // a unit may hold a slash
	g.RedirectTrailingSlash = false
	g.HandleMethodNotAllowed = true
	_ = g.SetTrustedProxies(nil) // no address is taken from a header
	g.Use(s.observe, s.rescue, secure, s.pinPolicy, s.locate, s.bounded, s.sameSite, s.checkAccess)
	s.register(g, append(s.files(), routes...))
	g.NoRoute(s.nowhere)
	g.NoMethod(s.wrongMethod)
	return g
}

// Catalogue is the words as of a moment, in the site's zone.
func (s *Frame) Catalogue(at time.Time) text.Catalogue { return text.Catalogue{Zone: s.Zone, At: at} }

// Minute is the clock's moment, cut to the minute: that of answers on which what is charted
// within it has no bearing. See Now.
func (s *Frame) Minute() time.Time { return s.Clock().UTC().Truncate(time.Minute) }

// UnitsFor lists the units that the feeds have named and that the account may see.
func (s *Frame) UnitsFor(ctx context.Context, a records.Account) ([]string, error) {
	if !a.May(records.ViewList) {
		return nil, nil
	}
	var own []string
	units, err := s.Finder.Units(ctx)
	for _, u := range units {
		if a.OnUnit(u) {
			own = append(own, u)
		}
	}
	return own, err
}
