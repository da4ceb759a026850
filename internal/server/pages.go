package server

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/auth"
	"plumbline/internal/text"
	"plumbline/web"
)

// pages holds one template set for each page, parsed at start.
type pages struct{ sets map[string]*template.Template }

var pageNames = []string{
	"list", "shell", "stay", "feeds", "rules", "empty", "message",
	"signin", "signout", "account", "accounts", "manage", "tokens",
	"overtime",
	"policy", "policypreview", "policyversion", "audit",
	"episodes", "episode", "tally",
	"dosereview", "dosereviewstay",
	"fall", "falls",
	"fall", "falls", "held",
	"bedside", "bedsideresult", "bedsidechoose",
	"history",
}

func parsePages(asset func(string) string) *pages {
	p := &pages{sets: map[string]*template.Template{}}
	for _, name := range pageNames {
		t := template.New(name).Funcs(template.FuncMap{"asset": asset, "say": text.Say, "term": termOf}).Option("missingkey=error")
		p.sets[name] = template.Must(t.Funcs(wordFuncs).ParseFS(web.Templates, "templates/frame.html", "templates/parts.html", "templates/episodeparts.html", "templates/"+name+".html"))
	}
	return p
}

// termView is a term with its help, which opens by key, click and touch.
type termView struct {
	text.Term
	ID   string // of its help on the page
	Word string // what stands in the sentence; the term's name where it is empty
}

// termOf is the help of a term for the template "term". Where a page asks for one
// term twice, place parts the two; word replaces the term's name in the sentence.
func termOf(key string, placeAndWord ...string) termView {
	v := termView{Term: text.Help(key), ID: "help-" + key}
	v.Word = v.Name
	if len(placeAndWord) > 0 && placeAndWord[0] != "" {
		v.ID += "-" + placeAndWord[0]
	}
	if len(placeAndWord) > 1 {
		v.Word = placeAndWord[1]
	}
	return v
}

// render writes a page to memory, so that a fault leaves no half page behind.
func (p *pages) render(name string, view any) ([]byte, error) {
	var b bytes.Buffer
	err := p.sets[name].ExecuteTemplate(&b, "frame", view)
	return b.Bytes(), err
}

// part renders the content of a page alone, without the frame around it.
func (p *pages) part(name string, view any) (template.HTML, error) {
	var b bytes.Buffer
	err := p.sets[name].ExecuteTemplate(&b, "main", view)
	return template.HTML(b.String()), err // made by a template: escaped
}

// frame is what every page shows around its content. All that depends on the
// account is here, save for names on the list.
type frame struct {
	Title    string
	Hospital string
	Nav      []link
	SubName  string // the unit of the page; "" where it is of none
	Sub      []link // the pages of that unit
	Who      string // the account's name; "" where nobody is signed in
	Idle     int    // seconds without use after which the session ends; 0: nobody sits here
	Zone     string
	Version  string
	Policy   string // hash, shortened
	Caution  string
	Now      string // the moment that "ago" counts from; "" where it stands still
	Refresh  bool   // the page fetches itself anew each minute
	Owed     *owedLine
}

type link struct {
	Name, URL string
	Here      bool // the page itself
	Within    bool // the page is one of its unit
}

// frame is the frame of a page for the account that asks.
func (s *server) frame(c *gin.Context, title string) frame {
	a, f := accountOf(c), s.bare(c, title)
	if a.OneTime {
		return f // nothing else opens before the password is changed
	}
	units, err := s.unitsFor(c.Request.Context(), a)
	if err != nil {
		s.Log.Error("the units could not be listed", "error", err)
	}
	here := unitOf(c)
	for _, u := range units {
		f.Nav = append(f.Nav, link{Name: text.Say("frame.nav-unit", u), URL: unitURL(u), Within: u == here})
		if u == here {
			f.SubName, f.Sub = text.Say("frame.nav-unit", u), s.unitLinks(a, u)
		}
	}
	if a.May(auth.ReviewDoses) {
		f.Nav = append(f.Nav, link{Name: text.Say("dosereview.heading"), URL: queueURL})
	}
	if a.May(auth.ViewFeeds) {
		f.Nav = append(f.Nav, link{Name: text.Say("frame.nav-feeds"), URL: "/feeds"})
	}
	if a.May(auth.ManageAccounts) {
		f.Nav = append(f.Nav, link{Name: text.Say("frame.nav-accounts"), URL: "/accounts"})
	}
	if a.May(auth.ManageTokens) {
		f.Nav = append(f.Nav, link{Name: text.Say("frame.nav-tokens"), URL: "/tokens"})
	}
	if a.May(auth.ViewAudit) {
		f.Nav = append(f.Nav, link{Name: text.Say("frame.nav-audit"), URL: "/audit"})
	}
	if a.May(auth.ManagePolicy) {
		f.Nav = append(f.Nav, link{Name: text.Say("frame.nav-policy"), URL: "/policy"})
	}
	f.Nav = append(f.Nav, link{Name: text.Say("frame.nav-rules"), URL: "/rules"})
	return f
}

// unitLinks are the ways to the pages of one unit.
func (s *server) unitLinks(a auth.Account, unit string) []link {
	if !a.May(auth.ViewNames) {
		return nil
	}
	links := []link{{Name: text.Say("frame.nav-list"), URL: unitURL(unit)}}
	if s.Episodes != nil {
		links = append(links, link{Name: text.Say("frame.nav-episodes"), URL: episodesURL(unit)})
	}
	if a.May(auth.ViewStay) {
		links = append(links, link{Name: text.Say("frame.nav-falls"), URL: fallsURL(unit)})
	}
	if a.May(auth.ViewUnitFigures) {
		links = append(links, link{Name: text.Say("overtime.nav"), URL: overTimeURL(unit)})
	}
	if a.May(auth.RecordSet) && s.Sets != nil {
		links = append(links, link{Name: text.Say("bedside.choose-link"), URL: chooseURL(unit)})
	}
	return links
}

// bare is a frame without ways to other pages; no database is asked for it.
func (s *server) bare(c *gin.Context, title string) frame {
	a := accountOf(c)
	f := frame{
		Title: title, Hospital: s.Hospital, Zone: s.Zone.String(), Version: s.Version, Who: a.Name,
		Policy: shortHash(s.policyOf(c).Hash), Caution: text.Caution,
	}
	if a.Name != "" && !a.Unattended() {
		f.Idle = int(s.Accounts.IdleLimit().Seconds())
	}
	return f
}

// at marks where in the site the page stands.
func (f frame) at(url string) frame {
	for _, links := range [][]link{f.Nav, f.Sub} {
		for n := range links {
			links[n].Here = links[n].URL == url
		}
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

func unitURL(unit string) string { return "/units/" + segment(unit) }
func stayURL(stay string) string { return "/stays/" + segment(stay) }

// segment writes a text as one part of a path. The router reads a plus sign as a space
// where anything else of the path is escaped in another way than it would itself.
func segment(s string) string { return strings.ReplaceAll(url.PathEscape(s), "+", "%2B") }

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
	if isAPI(c) {
		c.JSON(status, gin.H{"error": sentence})
		return
	}
	// Whatever is told, it must come out: no database is asked for it.
	body, err := s.pages.render("message", message{s.bare(c, heading), heading, sentence})
	if err != nil {
		s.Log.Error("a page could not be rendered", "page", "message", "error", err)
		c.String(status, sentence)
		return
	}
	c.Data(status, htmlKind, body)
}

func (s *server) notFound(c *gin.Context) {
	s.tell(c, http.StatusNotFound, text.Say("message.not-found"), text.Say("message.not-found-says"))
}

// nowhere is an address of no route. It looks like any other that is not there.
func (s *server) nowhere(c *gin.Context) {
	_, _ = s.resolve(c, true) // for the frame alone
	s.notFound(c)
}

func (s *server) wrongMethod(c *gin.Context) {
	s.tell(c, http.StatusMethodNotAllowed, text.Say("message.wrong-method"), text.Say("message.wrong-method-says", c.Writer.Header().Get("Allow")))
}

func (s *server) broken(c *gin.Context) {
	s.tell(c, http.StatusInternalServerError, text.Say("message.broken"), text.Say("message.broken-says"))
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
