package frame

import (
	"net/http"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/assess"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/text"
)

// Asked is the moment a request asks for; live where it names none.
type Asked struct {
	At   time.Time
	Live bool
}

// AsOf reads ?as_of=.
func (s *Frame) AsOf(c *gin.Context) (Asked, error) {
	when, ok := s.momentOf(c)
	if !ok {
		says := text.Say("message.odd-moment-says", s.Zone.String())
		return when, &Message{http.StatusBadRequest, text.Say("message.odd-moment"), says}
	}
	return when, nil
}

// momentOf is AsOf without the message.
func (s *Frame) momentOf(c *gin.Context) (Asked, bool) {
	value := c.Query("as_of")
	if value == "" {
		return Asked{s.Now(c), true}, true
	}
	at, ok := feed.ParseTime(value, s.Zone)
	if n := strings.LastIndexByte(value, ' '); !ok && n > 0 { // a plus sign that was not escaped
		at, ok = feed.ParseTime(value[:n]+"+"+value[n+1:], s.Zone)
	}
	return Asked{at, false}, ok
}

// nowKey is under what the context of a request keeps its moment.
const nowKey = "now"

// Now is the moment for which a request is told what holds now: one for all of its page. See
// assess.LiveMoment.
func (s *Frame) Now(c *gin.Context) time.Time {
	if kept, ok := c.Get(nowKey); ok {
		return kept.(time.Time)
	}
	var landed time.Time
	if s.Landed != nil {
		var err error
		if landed, err = s.Landed(c.Request.Context()); err != nil {
			s.Log.Error("when facts last came in could not be told", "error", err)
		}
	}
	at := assess.LiveMoment(s.Clock(), landed)
	c.Set(nowKey, at)
	return at
}

// RecordedBy is the moment by which reviews count: a live page is made for its
// minute, and shows the review that was recorded within it.
func (s *Frame) RecordedBy(when Asked) time.Time {
	if when.Live {
		return s.Clock()
	}
	return when.At
}
