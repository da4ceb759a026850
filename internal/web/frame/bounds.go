package frame

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/gin-gonic/gin"

	"plumbline/internal/text"
)

// Bounds of every request. The pages of this program stay far below them.
const (
	maxAddress  = 4 << 10          // bytes of path and query
	maxQuery    = 32               // parameters of a query
	maxBody     = 1 << 20          // bytes of a body; a form has less, see maxForm
	MaxAnswerIn = 25 * time.Second // less than the web server waits before it hangs up
)

// bounded refuses a request larger than any page asks for, and what is no text: one
// database engine takes such bytes and the other fails on them. The request's context
// ends in time for an answer that says so.
func (s *Frame) bounded(c *gin.Context) {
	u := c.Request.URL
	switch {
	case len(u.RequestURI()) > maxAddress:
		s.tell(
			c, &Message{http.StatusRequestURITooLong, text.Say("message.long-address"), text.Say("message.long-address-says")},
		)
	case c.Request.ContentLength > maxBody:
		c.Header("Connection", "close") // what is on its way is not read
		s.tell(
			c, &Message{http.StatusRequestEntityTooLarge, text.Say("message.too-large"), text.Say("message.too-large-says")},
		)
	case !isText(u.Path):
		s.answer(c, errNotFound)
	case !queryFits(u.RawQuery):
		s.tell(c, &Message{http.StatusBadRequest, text.Say("message.odd-address"), text.Say("message.odd-address-says")})
	default:
		if c.Request.Body != nil {
			c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxBody)
		}
		ctx, cancel := context.WithTimeout(c.Request.Context(), MaxAnswerIn)
		defer cancel()
		c.Request = c.Request.WithContext(ctx)
		c.Next()
		return
	}
	c.Abort()
}

// queryFits reports whether a query has few parameters and holds text alone. A
// parameter that cannot be decoded is left to its reader, who does not see it.
func queryFits(raw string) bool {
	if strings.Count(raw, "&") >= maxQuery {
		return false
	}
	values, _ := url.ParseQuery(raw)
	return allText(values)
}

// allText reports whether names and values are text.
func allText(values url.Values) bool {
	for name, all := range values {
		if !isText(name) {
			return false
		}
		for _, v := range all {
			if !isText(v) {
				return false
			}
		}
	}
	return true
}

// isText: UTF-8 without NUL.
func isText(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }
