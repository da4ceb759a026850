package frame

import (
	"context"

	"github.com/gin-gonic/gin"

	"plumbline/internal/policy"
)

func ShortHash(h string) string {
	if len(h) > 12 {
		return h[:12]
	}
	return h
}

// pinPolicy makes the whole answer to a request by one policy.
func (s *Frame) pinPolicy(c *gin.Context) {
	c.Request = c.Request.WithContext(policy.Pin(c.Request.Context(), s.Deps.Policy.Current()))
}

// PolicyFor is the policy of the request of a context.
func (s *Frame) PolicyFor(ctx context.Context) policy.Loaded {
	return policy.For(ctx, s.Deps.Policy)
}

// PolicyOf is the policy of the request.
func (s *Frame) PolicyOf(c *gin.Context) policy.Loaded {
	return policy.For(c.Request.Context(), s.Deps.Policy)
}
