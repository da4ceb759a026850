package server

import (
	"net/http"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/ingest/feed"
)

// asked is the moment a request asks for; live where it names none.
type asked struct {
	at   time.Time
	live bool
}

// asOf reads ?as_of=. It answers the request itself and returns false where the
// moment cannot be read.
func (s *server) asOf(c *gin.Context) (asked, bool) {
	value, given := c.GetQuery("as_of")
	if !given || value == "" {
		return asked{s.minute(), true}, true
	}
	at, ok := feed.ParseTime(value, s.Zone)
	if n := strings.LastIndexByte(value, ' '); !ok && n > 0 { // a plus sign that was not escaped
		at, ok = feed.ParseTime(value[:n]+"+"+value[n+1:], s.Zone)
	}
	if !ok {
		s.tell(c, http.StatusBadRequest, "The moment cannot be read",
			"as_of must be a time such as 2026-11-25T07:00:00Z; without an offset it is read in "+s.Zone.String()+". A plus sign in an address is written %2B.")
		return asked{}, false
	}
	return asked{at, false}, true
}
