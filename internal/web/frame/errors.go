package frame

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// message is a page of one sentence and what to do next.
type message struct {
	Layout
	Heading string
	Text    string
}

func (s *Frame) Tell(c *gin.Context, status int, heading, sentence string) {
	if isAPI(c) {
		c.JSON(status, gin.H{"error": sentence})
		return
	}
	// Whatever is told, it must come out: no database is asked for it.
	body, err := s.Pages.Render("message", message{s.Bare(c, heading), heading, sentence})
	if err != nil {
		s.Log.Error("a page could not be rendered", "page", "message", "error", err)
		c.String(status, sentence)
		return
	}
	c.Data(status, htmlKind, body)
}

func (s *Frame) NotFound(c *gin.Context) {
	s.Tell(c, http.StatusNotFound, text.Say("message.not-found"), text.Say("message.not-found-says"))
}

// nowhere is an address of no route. It looks like any other that is not there.
func (s *Frame) nowhere(c *gin.Context) {
	_, _ = s.Resolve(c, true) // for the frame alone
	s.NotFound(c)
}

func (s *Frame) wrongMethod(c *gin.Context) {
	s.Tell(c, http.StatusMethodNotAllowed, text.Say("message.wrong-method"), text.Say("message.wrong-method-says", c.Writer.Header().Get("Allow")))
}

func (s *Frame) broken(c *gin.Context) {
	s.Tell(c, http.StatusInternalServerError, text.Say("message.broken"), text.Say("message.broken-says"))
}

// Fail answers a request that could not be served: alike for what does not
// exist and what may not be seen, without patient data for everything else.
func (s *Frame) Fail(c *gin.Context, err error) {
	if clinical.CodeOf(err) == clinical.NotFound {
		s.NotFound(c)
		return
	}
	if errors.Is(err, context.Canceled) {
		c.Abort() // the reader has left
		return
	}
	s.Log.Error("request failed", "route", c.FullPath(), "code", string(clinical.CodeOf(err)), "error", err)
	s.broken(c)
}

// Sentence is an error as a sentence of a page.
func Sentence(err error) string {
	says := err.Error()
	return strings.ToUpper(says[:1]) + says[1:] + "."
}
