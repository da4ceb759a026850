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

// Form reads the form of a request.
func (s *Frame) Form(c *gin.Context) (url.Values, error) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxForm)
	if err := c.Request.ParseForm(); err != nil {
		status := http.StatusBadRequest
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			status = http.StatusRequestEntityTooLarge
		}
		return nil, &Message{status, text.Say("message.odd-form"), text.Say("message.odd-form-says")}
	}
	if !isText(c.Request.PostForm.Get("next")) {
		c.Request.PostForm.Del("next") // no text: the sign-in then leads to the first page
	}
	if !allText(c.Request.PostForm) {
		return nil, &Message{http.StatusBadRequest, text.Say("message.odd-form"), text.Say("message.odd-bytes-says")}
	}
	return c.Request.PostForm, nil
}
