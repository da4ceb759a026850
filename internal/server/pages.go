package server

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/text"
	"plumbline/web"
)

// pages holds one template set for each page, parsed at start.
type pages struct{ sets map[string]*template.Template }

var pageNames = []string{"list", "stay", "feeds", "rules", "empty", "message"}

func parsePages(asset func(string) string) *pages {
	p := &pages{sets: map[string]*template.Template{}}
	for _, name := range pageNames {
		t := template.New(name).Funcs(template.FuncMap{"asset": asset}).Option("missingkey=error")
		p.sets[name] = template.Must(t.ParseFS(web.Templates, "templates/frame.html", "templates/parts.html", "templates/"+name+".html"))
	}
	return p
}

// render writes a page to memory, so that a fault leaves no half page behind.
func (p *pages) render(name string, view any) ([]byte, error) {
	var b bytes.Buffer
	err := p.sets[name].ExecuteTemplate(&b, "frame", view)
	return b.Bytes(), err
}

// frame is what every page shows around its content.
type frame struct {
	Title    string
	Hospital string
	Units    []link
	Here     string // the part of the site that is shown: a unit, feeds or rules
	Zone     string
	Version  string
	Policy   string // hash, shortened
	Caution  string
	Now      string // the moment that "ago" counts from; "" where it stands still
	Refresh  bool   // the page fetches itself anew each minute
}

type link struct {
	Name, URL string
	Here      bool
}

func (s *server) frame(ctx context.Context, title string) frame {
	f := frame{
		Title: title, Hospital: s.Hospital, Zone: s.Zone.String(), Version: s.Version,
		Policy: shortHash(s.Deps.Policy.Hash), Caution: text.Caution,
	}
	units, err := s.Board.Units(ctx)
	if err != nil {
		s.Log.Error("the units could not be listed", "error", err)
	}
	for _, u := range units {
		f.Units = append(f.Units, link{Name: u, URL: unitURL(u)})
	}
	return f
}

// at marks where in the site the page stands.
func (f frame) at(here string) frame {
	f.Here = here
	for n := range f.Units {
		f.Units[n].Here = f.Units[n].Name == here
	}
	return f
}

// live makes the times of the page count on from a moment.
func (f frame) live(now time.Time) frame {
	f.Now = now.UTC().Format(time.RFC3339)
	return f
}

func shortHash(h string) string {
	if len(h) > 12 {
		return h[:12]
	}
	return h
}

func unitURL(unit string) string { return "/units/" + url.PathEscape(unit) }
func stayURL(stay string) string { return "/stays/" + url.PathEscape(stay) }

// asOfQuery keeps the moment asked for in a link.
func asOfQuery(at time.Time) string {
	return "?as_of=" + url.QueryEscape(at.UTC().Format(time.RFC3339))
}

const htmlKind = "text/html; charset=utf-8"

// show renders a page and sends it.
func (s *server) show(c *gin.Context, status int, name string, view any) {
	body, err := s.pages.render(name, view)
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Status(status)
	s.sendPage(c, status, newPage(body))
}

// page is a rendered page, ready to be sent again.
type page struct {
	body   []byte
	packed []byte
	etag   string
}

func newPage(body []byte) *page {
	sum := sha256.Sum256(body)
	return &page{body: body, packed: pack(body, gzip.BestSpeed), etag: `W/"` + hex.EncodeToString(sum[:12]) + `"`}
}

// sendPage sends a page, or says that the reader has it already.
func (s *server) sendPage(c *gin.Context, status int, p *page) {
	c.Header("ETag", p.etag)
	if status == http.StatusOK && strings.Contains(c.GetHeader("If-None-Match"), p.etag) {
		c.Status(http.StatusNotModified)
		c.Writer.WriteHeaderNow()
		return
	}
	send(c, status, htmlKind, p.body, func() []byte { return p.packed })
}

// message is a page of one sentence and what to do next.
type message struct {
	frame
	Heading string
	Text    string
}

func (s *server) tell(c *gin.Context, status int, heading, sentence string) {
	if strings.HasPrefix(c.Request.URL.Path, "/api/") {
		c.JSON(status, gin.H{"error": sentence})
		return
	}
	// Whatever is told, it must come out: no database is asked for it.
	f := frame{
		Title: heading, Hospital: s.Hospital, Zone: s.Zone.String(), Version: s.Version,
		Policy: shortHash(s.Deps.Policy.Hash), Caution: text.Caution,
	}
	body, err := s.pages.render("message", message{f, heading, sentence})
	if err != nil {
		s.Log.Error("a page could not be rendered", "page", "message", "error", err)
		c.String(status, sentence)
		return
	}
	c.Data(status, htmlKind, body)
}

func (s *server) notFound(c *gin.Context) {
	s.tell(c, http.StatusNotFound, "Not found",
		"There is nothing at this address, or you may not see it. Units and stays appear once a feed has named them.")
}

func (s *server) wrongMethod(c *gin.Context) {
	c.Header("Allow", "GET, HEAD")
	s.tell(c, http.StatusMethodNotAllowed, "Read only", "This address can be read only (GET or HEAD).")
}

func (s *server) broken(c *gin.Context) {
	s.tell(c, http.StatusInternalServerError, "Something went wrong",
		"This page could not be made. Nothing shown elsewhere has changed; go back to the chart itself, try again in a minute, and tell whoever runs the program: its log says why.")
}

// moment is a time as a page shows it.
type moment struct {
	ISO  string
	Text string
	Rel  string // "3 h ago"; "" where it is not said
	Mode string // how a script keeps Rel current: ago, due or "" for not at all
}

// times makes moments for one catalogue; live ones are kept current by a script.
type times struct {
	text.Catalogue
	live bool
}

func (t times) plain(at time.Time) *moment {
	return &moment{ISO: at.UTC().Format(time.RFC3339), Text: t.Time(at)}
}

func (t times) ago(at time.Time) *moment {
	m := t.plain(at)
	m.Rel = t.Ago(at)
	if t.live {
		m.Mode = "ago"
	}
	return m
}

func (t times) due(at time.Time) *moment {
	m := t.plain(at)
	m.Rel = t.Due(at)
	if t.live {
		m.Mode = "due"
	}
	return m
}
