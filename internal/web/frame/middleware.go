package frame

import (
	"fmt"
	"net/http"
	"runtime"
	"runtime/debug"
	"strconv"

	"github.com/gin-gonic/gin"
)

// securityPolicy lets a page load its own files and nothing else, and run no
// script and no style that stands in the page itself.
const securityPolicy = "default-src 'none'; object-src 'none'; script-src 'self'; style-src 'self'; " +
	"img-src 'self' data:; connect-src 'self'; font-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// secure sets what every answer carries. Patient data is kept by no cache; what
// may be kept (static files) says so itself.
func secure(c *gin.Context) {
	h := c.Writer.Header()
	h.Set("Content-Security-Policy", securityPolicy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
	h.Set("Cache-Control", "no-store")
	c.Next()
}

// observe counts and logs requests by their route pattern: ids are in neither.
func (s *Frame) observe(c *gin.Context) {
	start := s.Clock()
	c.Next()
	took := s.Clock().Sub(start)
	route := c.FullPath()
	if route == "" {
		route = "none"
	}
	method := methodLabel(c.Request.Method)
	s.Metrics.requests.WithLabelValues(route, method, strconv.Itoa(c.Writer.Status())).Inc()
	s.Metrics.latency.WithLabelValues(route).Observe(took.Seconds())
	s.Log.Debug("request", "route", route, "method", method, "status", c.Writer.Status(), "took", took)
}

// methodLabel names a method in figures and log. Anybody can send any word as a method;
// used as a label, each would be kept for good and shown to whoever reads the figures.
func methodLabel(method string) string {
	switch method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete,
		http.MethodConnect, http.MethodOptions, http.MethodTrace:
		return method
	}
	return "other"
}

// rescue turns a panic into a page. The log gets the place and the kind of the
// fault, not its value: that may hold patient data.
func (s *Frame) rescue(c *gin.Context) {
	defer func() {
		fault := recover()
		if fault == nil {
			return
		}
		if fault == http.ErrAbortHandler {
			panic(fault) // net/http's own way to end a connection
		}
		what := fmt.Sprintf("%T", fault)
		if e, ok := fault.(runtime.Error); ok {
			what = e.Error()
		}
		s.Log.Error("panic", "route", c.FullPath(), "fault", what, "stack", string(debug.Stack()))
		if !c.Writer.Written() {
			s.tell(c, errFailed)
		}
		c.Abort()
	}()
	c.Next()
}
