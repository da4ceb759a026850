package server

import (
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/assess"
	"plumbline/internal/auth"
	"plumbline/internal/idp"
	"plumbline/internal/text"
)

// route is a way into the program, with the rule that says who may take it.
// Nothing is answered that does not stand in the table: see guard.
type route struct {
	methods []string
	path    string
	rule    rule
	handler gin.HandlerFunc
}

// rule says who may take a route: an account by its permissions, a machine by the
// scope of its token.
type rule struct {
	who   audience
	needs []auth.Permission
	scope auth.Scope // "": no machine may, or with anyToken every one
}

// audience is the kind of a rule.
type audience string

const (
	everyone    audience = "public"
	thisMachine audience = "this machine"       // without a proxy between; or a token
	anyAccount  audience = "signed in"          //
	permitted   audience = "permission"         // refused with 403
	ofUnit      audience = "unit of the URL"    // permission and unit; refused with 404
	ofStay      audience = "stay of the URL"    // permission and the stay's unit; refused with 404
	ofEpisode   audience = "episode of the URL" // permission, or that of its task, and the episode's unit; refused with 404: mayAct
	ofFall      audience = "fall of the URL"    // permission and the unit of the fall; refused with 404
	denied      audience = "no rule, so denied" // what the table does not hold
)

func may(needs ...auth.Permission) rule    { return rule{who: permitted, needs: needs} }
func onUnit(needs ...auth.Permission) rule { return rule{who: ofUnit, needs: needs} }
func onStay(needs ...auth.Permission) rule { return rule{who: ofStay, needs: needs} }

// anyToken stands for a scope where every machine may.
const anyToken auth.Scope = "any token"

// or lets machines take the route too, by a scope of their token.
func (r rule) or(s auth.Scope) rule {
	r.scope = s
	return r
}

func onEpisode(needs ...auth.Permission) rule { return rule{who: ofEpisode, needs: needs} }
func onFall(needs ...auth.Permission) rule    { return rule{who: ofFall, needs: needs} }

// String is the rule in words.
func (r rule) String() string {
	words := []string{string(r.who)}
	for _, p := range r.needs {
		words = append(words, string(p))
	}
	if r.scope != "" {
		words = append(words, "or a token: "+string(r.scope))
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
		{reading, "/stays/:stay/history", onStay(auth.ViewStay), s.history},
		{reading, "/units/:unit/episodes", onUnit(auth.ViewList, auth.ViewNames), s.episodesPage},
		{reading, "/units/:unit/episodes/tally", onUnit(auth.ViewUnitFigures), s.tallyPage},
		{posting, "/episodes/:episode/take", onEpisode(auth.ActOnEpisodes), s.takeEpisode},
		{posting, "/episodes/:episode/release", onEpisode(auth.ActOnEpisodes), s.releaseEpisode},
		{posting, "/episodes/:episode/defer", onEpisode(auth.ActOnEpisodes), s.deferEpisode},
		{posting, "/episodes/:episode/close", onEpisode(auth.ActOnEpisodes, auth.CloseEpisodes), s.closeEpisode},
		{reading, "/units/:unit/over-time", onUnit(auth.ViewUnitFigures), s.overTimePage},
		{reading, "/units/:unit/over-time.csv", onUnit(auth.ViewUnitFigures), s.overTimeCSV},
		{reading, "/units/:unit/over-time.xlsx", onUnit(auth.ViewUnitFigures), s.overTimeXLSX},
		{reading, "/units/:unit/falls", onUnit(auth.ViewStay, auth.ViewNames), s.fallsPage},
		{reading, "/falls/:fall", onFall(auth.ViewStay, auth.ViewNames), s.fallPage},
		{reading, "/units/:unit/new-set", onUnit(auth.RecordSet), s.chooseSet},
		{reading, "/stays/:stay/new-set", onStay(auth.RecordSet), s.setPage},
		{posting, "/stays/:stay/new-set", onStay(auth.RecordSet), s.sendSet},
		{reading, "/new-set-shell", rule{who: everyone}, s.setShell}, // holds nobody's data
		{reading, "/new-set-worker.js", rule{who: everyone}, s.setWorker},
		{posting, "/stays/:stay/assign", onStay(auth.ViewStay, auth.ActOnEpisodes), s.assign},
		{reading, "/feeds", may(auth.ViewFeeds), s.feedPage},
		{posting, "/feeds/retry", may(auth.ViewHeldRows), s.retryRows},
		{reading, "/feeds/held/:row", may(auth.ViewHeldRows), s.heldPage},
		{posting, "/feeds/held/:row", may(auth.ViewHeldRows), s.fixRow},
		{posting, "/feeds/held/:row/retry", may(auth.ViewHeldRows), s.retryRow},
		{reading, "/rules", rule{who: anyAccount}, s.rulesPage},

		{reading, "/dose-review", may(auth.ReviewDoses, auth.ViewNames), s.queuePage},
		{reading, "/dose-review.xlsx", may(auth.ReviewDoses, auth.ViewNames), s.exportXLSX},
		{reading, "/dose-review.csv", may(auth.ReviewDoses, auth.ViewNames), s.exportCSV},
		{reading, "/dose-review/:stay", onStay(auth.ReviewDoses, auth.ViewStay), s.reviewPage},
		{posting, "/dose-review/:stay", onStay(auth.ReviewDoses, auth.ViewStay), s.recordReview},

		{reading, "/api/v1/units/:unit/list", onUnit(auth.ViewList, auth.ViewNames).or(auth.ReadList), s.apiList},
		{reading, "/api/v1/stays/:stay/sets", onStay(auth.ViewStay).or(auth.ReadSets), s.apiSets},
		{reading, "/api/v1/openapi.yaml", rule{who: anyAccount}.or(anyToken), s.openAPI},

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

		{reading, "/tokens", may(auth.ManageTokens), s.tokensPage},
		{posting, "/tokens", may(auth.ManageTokens), s.addToken},
		{posting, "/tokens/:token/revoke", may(auth.ManageTokens), s.revokeToken},

		{reading, "/audit", may(auth.ViewAudit), s.auditPage},

		{reading, "/policy", may(auth.ManagePolicy), s.policyPage},
		{posting, "/policy", may(auth.ManagePolicy), s.savePolicy},
		{posting, "/policy/preview", may(auth.ManagePolicy), s.previewPolicy},
		{reading, "/policy/versions/:number", may(auth.ManagePolicy), s.policyVersionPage},
		{posting, "/policy/return", may(auth.ManagePolicy), s.returnPolicy},

		{reading, "/healthz", rule{who: everyone}, s.healthz},
		{reading, "/readyz", rule{who: everyone}, s.readyz},
		{reading, "/metrics", rule{who: thisMachine}.or(auth.ReadMetrics), gin.WrapH(s.metrics.handler())},
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
	if token, carried := bearer(c.Request); carried && r.who != everyone && r.who != denied {
		return s.allowsToken(c, r, token)
	}
	switch r.who {
	case everyone:
		return true
	case thisMachine:
		if !from(c).local {
			s.tell(c, http.StatusForbidden, text.Say("message.not-from-there"), text.Say("message.not-from-there-says", string(r.scope)))
			return false
		}
		return true
	case anyAccount, permitted, ofUnit, ofStay, ofEpisode, ofFall:
		a, ok := s.identify(c)
		if !ok {
			return false
		}
		return s.permits(c, r, accountCaller{a}) && s.noteRoute(c, r, allowed)
	}
	s.Log.Error("a route has no rule and is denied", "route", c.FullPath(), "method", c.Request.Method)
	s.notFound(c)
	return false
}

// caller is who asks: an account that is signed in, or a machine with a token.
type caller interface {
	meets(rule) bool
	OnUnit(string) bool
}

type accountCaller struct{ auth.Account }

func (a accountCaller) meets(r rule) bool { return a.May(r.needs...) }

func (s *server) permits(c *gin.Context, r rule, by caller) bool {
	switch {
	case r.who == ofUnit && !(by.meets(r) && by.OnUnit(c.Param("unit"))):
		s.refuse(c, r, s.notFound)
		return false
	case r.who == ofStay:
		return s.permitsStay(c, r, by)
	case r.who == ofEpisode:
		return s.permitsEpisode(c, r, accountOf(c)) // none of a machine
	case r.who == ofFall:
		return s.permitsFall(c, r, accountOf(c)) // none of a machine
	case !by.meets(r):
		s.refuse(c, r, s.forbidden)
		return false
	}
	return true
}

// permitsStay looks up the stay as it was known at the moment asked for: the unit
// where it was then, or its last one, must be one of the caller's.
func (s *server) permitsStay(c *gin.Context, r rule, by caller) bool {
	if !by.meets(r) {
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
	if !by.OnUnit(view.Assessment.Digest.Stay.Unit) {
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
	episodeKey = "episode"
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
	if tokenOf(c).Name != "" {
		s.lacksScope(c)
		return
	}
	s.tell(c, http.StatusForbidden, text.Say("message.forbidden"), text.Say("message.forbidden-says"))
}
