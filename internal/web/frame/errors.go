package frame

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// Message is an error that says by itself what the reader is told: a heading, and a
// sentence with what to do next. A program gets the sentence alone.
type Message struct {
	Status        int // of HTTP
	Heading, Says string
}

// Error is the sentence.
func (m *Message) Error() string { return m.Says }

// Told is the error of a message.
func Told(status int, heading, sentence string) error { return &Message{status, heading, sentence} }

// Tell answers with a message.
func Tell(status int, heading, sentence string) (Page, error) {
	return nil, Told(status, heading, sentence)
}

// NotFound answers alike for what does not exist and what may not be seen.
func NotFound() (Page, error) { return nil, errNotFound }

// elsewhere is an error that leads the reader to another page.
type elsewhere struct{ to string }

func (e *elsewhere) Error() string { return "see " + e.to }

// Errors with which several rules refuse.
var (
	errNotFound = clinical.Errorf(clinical.NotFound, "there is nothing here")
	errFailed   = &Message{http.StatusInternalServerError, text.Say("message.broken"), text.Say("message.broken-says")}
)

// askAgain is after how long a program may ask again for what could not be answered now.
const askAgain = 30 * time.Second

// answer turns an error into the answer to its request: the one place that does. What
// does not exist and what may not be seen are told alike; of everything else the reader
// learns nothing but that it failed, or that it may work in a moment, and the log holds no patient data.
func (s *Frame) answer(c *gin.Context, err error) {
	var message *Message
	var to *elsewhere
	switch {
	case errors.As(err, &message):
		s.tell(c, message)
	case errors.As(err, &to):
		c.Redirect(http.StatusSeeOther, to.to)
	case clinical.CodeOf(err) == clinical.NotFound:
		s.tell(c, &Message{http.StatusNotFound, text.Say("message.not-found"), text.Say("message.not-found-says")})
	case errors.Is(err, context.Canceled):
		c.Abort() // the reader has left
	case clinical.CodeOf(err) == clinical.Unavailable, errors.Is(err, context.DeadlineExceeded):
		s.Log.Error("a request was not answered in time, or the database was away", "route", c.FullPath(), "error", err)
		c.Header("Retry-After", strconv.Itoa(int(askAgain.Seconds())))
		s.tell(c, &Message{http.StatusServiceUnavailable, text.Say("message.away"), text.Say("message.away-says")})
	default:
		s.Log.Error("request failed", "route", c.FullPath(), "code", string(clinical.CodeOf(err)), "error", err)
		s.tell(c, errFailed)
	}
}

// messageView is a page of one sentence and what to do next.
type messageView struct {
	Layout
	Heading string
	Text    string
}

// tell sends a message. Whatever is told, it must come out: no database is asked for it.
func (s *Frame) tell(c *gin.Context, m *Message) {
	if isAPI(c) {
		c.JSON(m.Status, gin.H{"error": m.Says})
		return
	}
	body, err := s.Pages.Render("message", messageView{s.Bare(c, m.Heading), m.Heading, m.Says})
	if err != nil {
		s.Log.Error("a page could not be rendered", "page", "message", "error", err)
		c.String(m.Status, m.Says)
		return
	}
	c.Data(m.Status, htmlKind, body)
}

// nowhere is an address of no route. It looks like any other that is not there.
func (s *Frame) nowhere(c *gin.Context) {
	_, _ = s.Resolve(c, true) // for the frame alone
	s.answer(c, errNotFound)
}

func (s *Frame) wrongMethod(c *gin.Context) {
	allow := c.Writer.Header().Get("Allow")
	s.tell(c, &Message{
		http.StatusMethodNotAllowed, text.Say("message.wrong-method"), text.Say("message.wrong-method-says", allow),
	})
}

// Sentence is an error as a sentence of a page.
func Sentence(err error) string {
	says := err.Error()
	return strings.ToUpper(says[:1]) + says[1:] + "."
}
