package server

import (
	"net/http"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/ingest/feed"
	"plumbline/internal/text"
)

// asked is the moment a request asks for; live where it names none.
type asked struct {
	at   time.Time
	live bool
}

// asOf reads ?as_of=. It answers the request itself and returns false where the
// moment cannot be read.
func (s *server) asOf(c *gin.Context) (asked, bool) {
	when, ok := s.momentOf(c)
	if !ok {
		s.tell(c, http.StatusBadRequest, text.Say("message.odd-moment"), text.Say("message.odd-moment-says", s.Zone.String()))
	}
	return when, ok
}

// momentOf is asOf without an answer.
func (s *server) momentOf(c *gin.Context) (asked, bool) {
	value := c.Query("as_of")
	if value == "" {
		return asked{s.minute(), true}, true
	}
	at, ok := feed.ParseTime(value, s.Zone)
	if n := strings.LastIndexByte(value, ' '); !ok && n > 0 { // a plus sign that was not escaped
		at, ok = feed.ParseTime(value[:n]+"+"+value[n+1:], s.Zone)
	}
	return asked{at, false}, ok
}
