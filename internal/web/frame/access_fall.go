package frame

import (
	"cmp"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/assess"
)

const fallKey = "fall"

// FallOf is the fall of a route under the rule OnFall.
func FallOf(c *Request) SeenFall { return c.MustGet(fallKey).(SeenFall) }

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

// permitsFall refuses whoever may not see the unit of the fall, as permitsStay does.
func (s *Frame) permitsFall(c *gin.Context, r Rule, by caller) error {
	if !by.meets(r) {
		return s.refuse(c, r, errNotFound)
	}
	when, err := s.AsOf(c)
	if err != nil {
		return err
	}
	place, err := s.Finder.FallPlace(c.Request.Context(), c.Param("fall"), s.Now(c))
	if err := s.permitsPlace(c, r, by, place, err); err != nil {
		return err
	}
	f, err := s.Finder.Fall(c.Request.Context(), c.Param("fall"), s.Now(c))
	if err != nil {
		return err
	}
	seen := SeenFall{Fall: f, At: when.At, Beyond: !when.Live && !when.At.Before(f.FellAt)}
	if when.Live || seen.Beyond {
		seen.At = assess.JustBefore(f.FellAt)
	}
	c.Set(fallKey, seen)
	return nil
}
