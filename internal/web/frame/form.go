package frame

import (
	"errors"
	"net/http"
	"net/url"

	"github.com/gin-gonic/gin"

	"plumbline/internal/text"
)

// maxForm bounds the body of a form, in bytes.
const maxForm = 64 << 10

// Form reads the form of a request. It answers itself and returns false where
// there is none that can be read.
func (s *Frame) Form(c *gin.Context) (url.Values, bool) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxForm)
	if err := c.Request.ParseForm(); err != nil {
		status := http.StatusBadRequest
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			status = http.StatusRequestEntityTooLarge
		}
		s.Tell(c, status, text.Say("message.odd-form"), text.Say("message.odd-form-says"))
		return nil, false
	}
	if !isText(c.Request.PostForm.Get("next")) {
		c.Request.PostForm.Del("next") // the first page serves as well
	}
	if !allText(c.Request.PostForm) {
		s.Tell(c, http.StatusBadRequest, text.Say("message.odd-form"), text.Say("message.odd-bytes-says"))
		return nil, false
	}
	return c.Request.PostForm, true
}
