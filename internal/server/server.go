// Package server shows what the assessment says: pages, JSON documents, metrics.
// It decides nothing; every finding comes from the core, every sentence from the
// catalogue.
package server

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/text"
)

// Board answers questions about units and stays; *assess.Service is one.
type Board interface {
	// Units lists every unit that a stay has ever named.
	Units(ctx context.Context) ([]string, error)
	// Live ranks a unit at the current moment, List at any moment.
	Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error)
	List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error)
	Stay(ctx context.Context, stayID string, at time.Time) (assess.StayView, error)
	Catalogue(at time.Time) text.Catalogue
}

// FeedHealth is how the feeds stand.
type FeedHealth struct {
	FolderSet bool      // a feed folder is set
	LastRead  time.Time // when the folder was last read to its end; zero: never
	Trouble   string    // why the folder could not be read at the last look; "": it could
	Files     []FeedFile
	HeldTotal int // rows held back
	Waiting   int // rows that wait for their stay
}

// FeedFile is one file and its last reading.
type FeedFile struct {
	Name     string
	LastRead time.Time
	Rows     int
	Error    string // "" where it was read
}

// HeldRow is a row held back, with its reason.
type HeldRow struct {
	File     string
	Line     int
	SourceID string
	Reason   string
}

// Deps is all that the server is given.
type Deps struct {
	Board    Board
	Policy   policy.Loaded
	Feeds    func(context.Context) (FeedHealth, error)
	Held     func(context.Context) ([]HeldRow, error) // asked for by the feed page alone
	Clock    clinical.Clock
	Zone     *time.Location
	Version  string
	Hospital string
	Log      *slog.Logger
	Ready    func(context.Context) error // nil error: ready to serve
	// DataState names the state of the data: a kept page holds while it stays the
	// same. Nil: a page holds for its minute.
	DataState func(context.Context) (string, error)
}

type server struct {
	Deps
	pages   *pages
	assets  *assets
	metrics *metrics
	lists   listCache
	book    ruleBook
}

// New makes the handler of every page and document. It panics if an embedded
// template is wrong: that is a fault of the program, seen at its start.
func New(d Deps) http.Handler {
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
	g.Use(s.observe, s.rescue, secure)

	get := func(path string, h gin.HandlerFunc) { g.Match([]string{http.MethodGet, http.MethodHead}, path, h) }
	get("/", s.home)
	get("/units/:unit", s.unitPage)
	get("/stays/:stay", s.stayPage)
	get("/feeds", s.feedPage)
	get("/rules", s.rulesPage)
	get("/healthz", s.healthz)
	get("/readyz", s.readyz)
	get("/metrics", gin.WrapH(s.metrics.handler()))
	get("/api/v1/units/:unit/list", s.apiList)
	get("/api/v1/stays/:stay/sets", s.apiSets)
	get("/favicon.ico", s.favicon)
	get("/static/*name", s.static)
	g.NoRoute(s.notFound)
	g.NoMethod(s.wrongMethod)
	return g
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

// home leads to the first unit, or says what to do where there is none.
func (s *server) home(c *gin.Context) {
	units, err := s.Board.Units(c.Request.Context())
	if err != nil {
		s.fail(c, err)
		return
	}
	if len(units) == 0 {
		s.show(c, http.StatusOK, "empty", s.frame(c.Request.Context(), "No patients yet"))
		return
	}
	c.Redirect(http.StatusSeeOther, unitURL(units[0]))
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
