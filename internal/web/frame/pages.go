package frame

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"html/template"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/text"
	"plumbline/web"
)

// Pages holds one template set for each page, parsed at start.
type Pages struct{ sets map[string]*template.Template }

var pageNames = []string{
	"list", "hospital", "round", "wall", "walloffline", "enrol", "screens", "shell", "stay", "feeds", "rules", "empty", "message",
	"signin", "signout", "account", "accounts", "manage", "tokens",
	"overtime",
	"policy", "policypreview", "policyversion", "audit",
	"episodes", "episode", "tally",
	"dosereview", "dosereviewstay", "ledger", "asked",
	"fall", "falls",
	"fall", "falls", "held",
	"bedside", "bedsideresult", "bedsidechoose",
	"history",
	"codes",
	"allthere",
}

func parsePages(asset func(string) string) *Pages {
	p := &Pages{sets: map[string]*template.Template{}}
	for _, name := range pageNames {
		t := template.New(name).Funcs(
			template.FuncMap{"asset": asset, "say": text.Say, "term": termOf},
		).Option("missingkey=error")
		p.sets[name] = template.Must(t.Funcs(wordFuncs).ParseFS(
			web.Templates, "templates/frame.html", "templates/parts.html", "templates/episodeparts.html",
			"templates/"+name+".html",
		))
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

// Render writes a page to memory, so that a fault leaves no half page behind.
func (p *Pages) Render(name string, view any) ([]byte, error) {
	var b bytes.Buffer
	err := p.sets[name].ExecuteTemplate(&b, "frame", view)
	return settle(b.Bytes()), err
}

// Part renders the content of a page alone, without the frame around it.
func (p *Pages) Part(name string, view any) (template.HTML, error) {
	var b bytes.Buffer
	err := p.sets[name].ExecuteTemplate(&b, "main", view)
	return template.HTML(settle(b.Bytes())), err // made by a template: escaped
}

const htmlKind = "text/html; charset=utf-8"

// Rendered is a rendered page, ready to be sent again.
type Rendered struct {
	body   []byte
	packed []byte
	etag   string
}

// Finish makes a rendered page of its bytes.
func Finish(body []byte) *Rendered {
	sum := sha256.Sum256(body)
	return &Rendered{body: body, packed: pack(body, gzip.BestSpeed), etag: `W/"` + hex.EncodeToString(sum[:12]) + `"`}
}

// sendPage sends a page, or says that the reader has it already.
func (s *Frame) sendPage(c *gin.Context, status int, p *Rendered) {
	c.Header("ETag", p.etag)
	if status == http.StatusOK && strings.Contains(c.GetHeader("If-None-Match"), p.etag) {
		c.Status(http.StatusNotModified)
		c.Writer.WriteHeaderNow()
		return
	}
	send(c, status, htmlKind, p.body, func() []byte { return p.packed })
}
