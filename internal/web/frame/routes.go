package frame

import (
	"net/http"

	"github.com/gin-gonic/gin"
)

// Route is a way into the program, with the rule that says who may take it.
// Nothing is answered that does not stand in the table: see checkAccess.
type Route struct {
	methods []string
	path    string
	rule    Rule
	handler Handler
	page    bool // answers with a page for people
}

var (
	reading = []string{http.MethodGet, http.MethodHead}
	posting = []string{http.MethodPost}
)

// Get is a route of a page for people.
func Get(path string, rule Rule, h Handler) Route { return Route{reading, path, rule, h, true} }

// GetOther is a route by which something else is read: a file, a document, a way on to
// another page.
func GetOther(path string, rule Rule, h Handler) Route { return Route{reading, path, rule, h, false} }

// Post is a route by which something is changed.
func Post(path string, rule Rule, h Handler) Route { return Route{posting, path, rule, h, false} }

// PagesOf are the patterns of the pages among routes.
func PagesOf(routes []Route) []string {
	var out []string
	for _, r := range routes {
		if r.page {
			out = append(out, r.path)
		}
	}
	return out
}

// files are the routes of the static files.
func (s *Frame) files() []Route {
	return []Route{
		GetOther("/favicon.ico", Public, s.favicon),
		GetOther("/static/*name", Public, s.static),
	}
}

// register puts the table into the router and keeps each rule under method and
// pattern, where checkAccess looks for it.
func (s *Frame) register(g *gin.Engine, table []Route) {
	s.rules = map[string]Rule{}
	for _, r := range table {
		for _, m := range r.methods {
			s.rules[m+" "+r.path] = r.rule
		}
		g.Match(r.methods, r.path, s.serve(r))
	}
}

// RuleOf is the rule of a route, by its method and pattern.
func (s *Frame) RuleOf(method, path string) (Rule, bool) {
	r, known := s.rules[method+" "+path]
	return r, known
}
