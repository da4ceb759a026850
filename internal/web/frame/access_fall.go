package frame

import (
	"cmp"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/assess"
	"plumbline/internal/auth"
)

// fallKey is where guard leaves the fall of the URL for the handler.
const FallKey = "fall"

// SeenFall is a fall that the account may see, and the moment asked about.
type SeenFall struct {
	Fall   assess.Fall
	At     time.Time
	Beyond bool // the moment asked for is not before the fall
}

// UnitOfFall is the unit by which a fall may be seen: where the patient was when
// falling, by what is known now; where the patient was on none, that of the stay.
func UnitOfFall(f assess.Fall) string {
	return cmp.Or(f.Unit, f.Now.Assessment.Digest.Stay.Unit)
}

// permitsFall lets those see a fall who have its unit. One that is not there and one
// that may not be seen are answered alike.
func (s *Frame) permitsFall(c *gin.Context, r Rule, a auth.Account) bool {
	if !a.May(r.needs...) {
		s.refuse(c, r, s.NotFound)
		return false
	}
	when, ok := s.AsOf(c)
	if !ok {
		return false
	}
	f, err := s.Finder.Fall(c.Request.Context(), c.Param("fall"), s.Minute())
	if err != nil {
		s.Fail(c, err)
		return false
	}
	seen := SeenFall{Fall: f, At: when.At, Beyond: !when.Live && !when.At.Before(f.FellAt)}
	if when.Live || seen.Beyond {
		seen.At = assess.JustBefore(f.FellAt)
	}
	c.Set(FallKey, seen)
	if !a.OnUnit(UnitOfFall(f)) {
		s.refuse(c, r, s.NotFound)
		return false
	}
	return true
}
