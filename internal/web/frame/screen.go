package frame

import (
	"github.com/gin-gonic/gin"

	"plumbline/internal/clinical"
)

// ScreenCookie is the secret of a display that was enrolled; ScreenAge is for how long a browser keeps
// it, in seconds, from the last time it was set. Browsers keep none for longer than 400 days.
const (
	ScreenCookie = "plumbline_screen"
	ScreenAge    = 400 * 24 * 3600
)

// The way to the page of an enrolled display, and to the page that enrols one.
const (
	WallURL  = "/wall"
	EnrolURL = "/wall/enrol"
)

// OnScreen asks for a display that was enrolled: it shows one unit. What else asks is led to the page that
// enrols one.
var OnScreen = Rule{who: ofScreen}

// allowsScreen lets a display through whose secret is known, and records it.
func (s *Frame) allowsScreen(c *gin.Context, r Rule) error {
	if s.Screens == nil {
		return &elsewhere{EnrolURL}
	}
	secret := CookieOf(c, ScreenCookie)
	got, err := s.Screens.Resolve(c.Request.Context(), secret)
	switch {
	case clinical.CodeOf(err) == clinical.NotFound:
		return &elsewhere{EnrolURL}
	case err != nil:
		return err
	}
	c.Set(accountKey, got.Account())
	if err := s.noteRoute(c, r, Allowed); err != nil {
		return err
	}
	SetCookie(c, ScreenCookie, secret, ScreenAge) // anew: it lasts as long as the display is used
	return nil
}
