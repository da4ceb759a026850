package frame

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"
)

// Request is a request on its way through the frame. What the rule of its route has
// found stands in it: AccountOf, StayOf, EpisodeOf.
type Request = gin.Context

// Handler makes the page that a request asks for, or says why there is none: see answer.
type Handler func(*Request) (Page, error)

// Page is what a handler answers with.
type Page interface {
	send(*Frame, *Request) error
}

// serve makes the page of a request and sends it, or answers with the error.
func (s *Frame) serve(r Route) gin.HandlerFunc {
	return func(c *gin.Context) {
		page, err := r.handler(c)
		if err == nil {
			err = r.fits(page)
		}
		if err == nil {
			err = page.send(s, c)
		}
		if err != nil {
			s.answer(c, err)
		}
	}
}

// fits holds what is shown to a route of a page: the tests of widths, paper and accessibility take the pages from the
// routes, and would leave it out.
func (r Route) fits(page Page) error {
	if _, shows := page.(*shown); shows && !r.page && slices.Contains(r.methods, http.MethodGet) {
		return fmt.Errorf("%s shows a page and is no route of one: register it by frame.Get", r.path)
	}
	return nil
}

// Show answers with a template and its view.
func Show(status int, name string, view any) (Page, error) { return &shown{status, name, view}, nil }

type shown struct {
	status int
	name   string
	view   any
}

func (p *shown) send(s *Frame, c *Request) error {
	body, err := s.Pages.Render(p.name, p.view)
	if err == nil {
		s.sendPage(c, p.status, Finish(body))
	}
	return err
}

func (p *Rendered) send(s *Frame, c *Request) error {
	s.sendPage(c, http.StatusOK, p)
	return nil
}

// SeeOther leads to another page.
func SeeOther(to string) (Page, error) { return redirect(to), nil }

type redirect string

func (p redirect) send(_ *Frame, c *Request) error {
	c.Redirect(http.StatusSeeOther, string(p))
	return nil
}

// Document answers with JSON, written whole before the status is.
func Document(status int, v any) (Page, error) {
	body, err := json.Marshal(v)
	return &data{status, "application/json; charset=utf-8", body}, err
}

// Data answers with bytes of a kind.
func Data(kind string, body []byte) (Page, error) { return &data{http.StatusOK, kind, body}, nil }

// Plain answers with a line of text, for the probes.
func Plain(status int, line string) (Page, error) {
	return &data{status, "text/plain; charset=utf-8", []byte(line)}, nil
}

type data struct {
	status int
	kind   string
	body   []byte
}

func (p *data) send(_ *Frame, c *Request) error {
	c.Data(p.status, p.kind, p.body)
	return nil
}

// Download answers with a file to be kept under a name.
func Download(c *Request, name, kind string, body []byte) (Page, error) {
	c.Header("Content-Disposition", `attachment; filename="`+name+`"`)
	return Data(kind, body)
}

// Serve answers with a handler of net/http.
func Serve(h http.Handler) Handler {
	return func(*Request) (Page, error) { return &served{h}, nil }
}

type served struct{ http.Handler }

func (p *served) send(_ *Frame, c *Request) error {
	p.ServeHTTP(c.Writer, c.Request)
	return nil
}
