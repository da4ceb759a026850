package server

import (
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/assess"
	"plumbline/internal/auth"
	"plumbline/internal/idp"
)

// route is a way into the program, with the rule that says who may take it.
// Nothing is answered that does not stand in the table: see guard.
type route struct {
	methods []string
	path    string
	rule    rule
	handler gin.HandlerFunc
}

// rule says who may take a route.
type rule struct {
	who   audience
	needs []auth.Permission
}

// audience is the kind of a rule.
type audience string

const (
	everyone    audience = "public"
	thisMachine audience = "this machine"       // without a proxy between
	anyAccount  audience = "signed in"          //
	permitted   audience = "permission"         // refused with 403
	ofUnit      audience = "unit of the URL"    // permission and unit; refused with 404
	ofStay      audience = "stay of the URL"    // permission and the stay's unit; refused with 404
	denied      audience = "no rule, so denied" // what the table does not hold
)

func may(needs ...auth.Permission) rule    { return rule{permitted, needs} }
func onUnit(needs ...auth.Permission) rule { return rule{ofUnit, needs} }
func onStay(needs ...auth.Permission) rule { return rule{ofStay, needs} }

// String is the rule in words.
func (r rule) String() string {
	words := []string{string(r.who)}
	for _, p := range r.needs {
		words = append(words, string(p))
	}
	return strings.Join(words, ", ")
}

var (
	reading = []string{http.MethodGet, http.MethodHead}
	posting = []string{http.MethodPost}
)

// routes is the table of every route. Patient data needs the permission and the
// unit; a function needs the permission.
func (s *server) routes() []route {
	return []route{
		{reading, "/", rule{who: anyAccount}, s.home},
		{reading, "/units/:unit", onUnit(auth.ViewList), s.unitPage},
		{reading, "/stays/:stay", onStay(auth.ViewStay), s.stayPage},
		{reading, "/feeds", may(auth.ViewFeeds), s.feedPage},
		{reading, "/rules", rule{who: anyAccount}, s.rulesPage},

		{reading, "/api/v1/units/:unit/list", onUnit(auth.ViewList, auth.ViewNames), s.apiList},
		{reading, "/api/v1/stays/:stay/sets", onStay(auth.ViewStay), s.apiSets},
		{reading, "/api/v1/openapi.yaml", rule{who: anyAccount}, s.openAPI},

		{reading, "/sign-in", rule{who: everyone}, s.signInPage},
		{posting, "/sign-in", rule{who: everyone}, s.signIn},
		{reading, "/sign-in/oidc", rule{who: everyone}, s.beginAtService},
		{reading, idp.BackPath, rule{who: everyone}, s.backFromService},
		{reading, "/sign-out", rule{who: anyAccount}, s.signOutPage},
		{posting, "/sign-out", rule{who: anyAccount}, s.signOut},
		{reading, "/account", rule{who: anyAccount}, s.accountPage},
		{posting, "/account", rule{who: anyAccount}, s.changePassword},

		{reading, "/accounts", may(auth.ManageAccounts), s.accountsPage},
		{posting, "/accounts", may(auth.ManageAccounts), s.addAccount},
		{reading, "/accounts/:account", may(auth.ManageAccounts), s.managePage},
		{posting, "/accounts/:account", may(auth.ManageAccounts), s.setGrants},
		{posting, "/accounts/:account/disable", may(auth.ManageAccounts), s.disableAccount},
		{posting, "/accounts/:account/enable", may(auth.ManageAccounts), s.enableAccount},
		{posting, "/accounts/:account/password", may(auth.ManageAccounts), s.resetPassword},
		{posting, "/accounts/:account/sign-out", may(auth.ManageAccounts), s.endSessions},

		{reading, "/audit", may(auth.ViewAudit), s.auditPage},

		{reading, "/policy", may(auth.ManagePolicy), s.policyPage},
		{posting, "/policy", may(auth.ManagePolicy), s.savePolicy},
		{posting, "/policy/preview", may(auth.ManagePolicy), s.previewPolicy},
		{reading, "/policy/versions/:number", may(auth.ManagePolicy), s.policyVersionPage},
		{posting, "/policy/return", may(auth.ManagePolicy), s.returnPolicy},

		{reading, "/healthz", rule{who: everyone}, s.healthz},
		{reading, "/readyz", rule{who: everyone}, s.readyz},
		{reading, "/metrics", rule{who: thisMachine}, gin.WrapH(s.metrics.handler())},
		{reading, "/favicon.ico", rule{who: everyone}, s.favicon},
		{reading, "/static/*name", rule{who: everyone}, s.static},
	}
}

// register puts the table into the router and keeps each rule under method and
// pattern, where guard looks for it.
func (s *server) register(g *gin.Engine) {
	s.rules = map[string]rule{}
	for _, r := range s.routes() {
		for _, m := range r.methods {
			s.rules[m+" "+r.path] = r.rule
		}
		g.Match(r.methods, r.path, r.handler)
	}
}

// guard lets a request through to its handler if the rule of its route allows. A
// route without a rule is denied: forgetting one shuts a door.
func (s *server) guard(c *gin.Context) {
	if c.FullPath() == "" {
		return // no route: not found, or a method that it does not have
	}
	r, known := s.rules[c.Request.Method+" "+c.FullPath()]
	if !known {
		r = rule{who: denied}
	}
	if !s.allows(c, r) {
		c.Abort()
	}
}

// allows answers the request itself where it returns false.
func (s *server) allows(c *gin.Context, r rule) bool {
	switch r.who {
	case everyone:
		return true
	case thisMachine:
		if from(c).local || s.MetricsAllowed != nil && s.MetricsAllowed(c.Request) {
			return true
		}
		s.forbidden(c)
		return false
	case anyAccount, permitted, ofUnit, ofStay:
		a, ok := s.identify(c)
		if !ok {
			return false
		}
		return s.permits(c, r, a) && s.noteRoute(c, r, allowed)
	}
	s.Log.Error("a route has no rule and is denied", "route", c.FullPath(), "method", c.Request.Method)
	s.notFound(c)
	return false
}

func (s *server) permits(c *gin.Context, r rule, a auth.Account) bool {
	switch {
	case r.who == permitted && !a.May(r.needs...):
		s.refuse(c, r, s.forbidden)
		return false
	case r.who == ofUnit && !(a.May(r.needs...) && a.OnUnit(c.Param("unit"))):
		s.refuse(c, r, s.notFound)
		return false
	case r.who == ofStay:
		return s.permitsStay(c, r, a)
	}
	return true
}

// permitsStay looks up the stay as it was known at the moment asked for: the unit
// where it was then, or its last one, must be one of the account's.
func (s *server) permitsStay(c *gin.Context, r rule, a auth.Account) bool {
	if !a.May(r.needs...) {
		s.refuse(c, r, s.notFound)
		return false
	}
	when, ok := s.asOf(c)
	if !ok {
		return false
	}
	view, err := s.Board.Stay(c.Request.Context(), c.Param("stay"), when.at)
	if err != nil {
		s.fail(c, err)
		return false
	}
	if !a.OnUnit(view.Assessment.Digest.Stay.Unit) {
		s.refuse(c, r, s.notFound)
		return false
	}
	c.Set(stayKey, seenStay{when, view})
	return true
}

// Keys of what guard leaves for the handlers.
const (
	accountKey = "account"
	stayKey    = "stay"
)

// seenStay is a stay that the account may see, at the moment asked for.
type seenStay struct {
	when asked
	view assess.StayView
}

// stayOf is the stay of a route under the rule onStay.
func stayOf(c *gin.Context) seenStay { return c.MustGet(stayKey).(seenStay) }

// accountOf is the account of a route that needs one; its zero value, which may do
// nothing, where there is none.
func accountOf(c *gin.Context) auth.Account {
	a, _ := c.Get(accountKey)
	account, _ := a.(auth.Account)
	return account
}

func (s *server) forbidden(c *gin.Context) {
	s.tell(c, http.StatusForbidden, "Not for this account",
		"Your account may not do this. If it should, ask an administrator of this program to give it the role.")
}
