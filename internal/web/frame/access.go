package frame

import (
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// Rule says who may take a route: an account by its permissions, a machine by the
// scope of its token.
type Rule struct {
	who   audience
	needs []records.Permission
	scope records.Scope // "": no machine may, or with anyToken every one
	// machines: machines alone may, for the stay as it is now; the handler records what became of it.
	machines bool
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
	ofEpisode   audience = "episode of the URL" // permission, or that of its task, and its unit; refused with 404; see MayAct
	ofFall      audience = "fall of the URL"    // permission and the unit of the fall; refused with 404
	ofScreen    audience = "enrolled screen"    // a display of one unit; else led to the page that enrols one
	denied      audience = "no rule, so denied" // what the table does not hold
)

// Public, ThisMachine and SignedIn are rules without a permission: anybody; whoever sits
// at this machine, or a token; any account.
var (
	Public      = Rule{who: everyone}
	ThisMachine = Rule{who: thisMachine}
	SignedIn    = Rule{who: anyAccount}
)

// May asks for permissions; who lacks one is told.
func May(needs ...records.Permission) Rule { return Rule{who: permitted, needs: needs} }

// OnUnit asks for permissions and the unit of the URL; who lacks one finds nothing there.
func OnUnit(needs ...records.Permission) Rule { return Rule{who: ofUnit, needs: needs} }

// OnStay asks for permissions and the unit of the stay of the URL.
func OnStay(needs ...records.Permission) Rule { return Rule{who: ofStay, needs: needs} }

// AnyToken stands for a scope where every machine may.
const AnyToken records.Scope = "any token"

// Or lets machines take the route too, by a scope of their token.
func (r Rule) Or(s records.Scope) Rule {
	r.scope = s
	return r
}

// MachineOnStay asks for a token with a scope, on the unit where the stay of the URL is now. An account
// finds nothing there. The handler records what it does.
func MachineOnStay(s records.Scope) Rule { return Rule{who: ofStay, scope: s, machines: true} }

// OnEpisode asks for permissions, or that of the episode's task, and its unit: MayAct.
func OnEpisode(needs ...records.Permission) Rule { return Rule{who: ofEpisode, needs: needs} }

// OnFall asks for permissions and the unit of the fall of the URL.
func OnFall(needs ...records.Permission) Rule { return Rule{who: ofFall, needs: needs} }

// String is the rule in words.
func (r Rule) String() string {
	words := []string{string(r.who)}
	if r.machines {
		words = append(words, "machines alone")
	}
	for _, p := range r.needs {
		words = append(words, string(p))
	}
	if r.scope != "" {
		words = append(words, "or a token: "+string(r.scope))
	}
	return strings.Join(words, ", ")
}

// admit lets a request through to its handler if the rule of its route allows. A
// route without a rule is denied: forgetting one shuts a door.
func (s *Frame) checkAccess(c *gin.Context) {
	if c.FullPath() == "" {
		return // no route: not found, or a method that it does not have
	}
	r, known := s.RuleOf(c.Request.Method, c.FullPath())
	if !known {
		r = Rule{who: denied}
	}
	if err := s.allows(c, r); err != nil {
		s.answer(c, err)
		c.Abort()
	}
}

// allows lets a request through, or says what to answer instead.
func (s *Frame) allows(c *gin.Context, r Rule) error {
	if token, carried := bearer(c.Request); carried && r.who != everyone && r.who != denied {
		return s.allowsToken(c, r, token)
	}
	switch r.who {
	case everyone:
		return nil
	case thisMachine:
		if !CameFrom(c).Local {
			says := text.Say("message.not-from-there-says", string(r.scope))
			return &Message{http.StatusForbidden, text.Say("message.not-from-there"), says}
		}
		return nil
	case ofScreen:
		return s.allowsScreen(c, r)
	case anyAccount, permitted, ofUnit, ofStay, ofEpisode, ofFall:
		a, err := s.identify(c)
		if err != nil {
			return err
		}
		return s.admit(c, r, accountCaller{a})
	}
	s.Log.Error("a route has no rule and is denied", "route", c.FullPath(), "method", c.Request.Method)
	return errNotFound
}

// admit lets a caller through whom the rule permits, and records it.
func (s *Frame) admit(c *gin.Context, r Rule, by caller) error {
	if err := s.permits(c, r, by); err != nil {
		return err
	}
	return s.noteRoute(c, r, Allowed)
}

// caller is who asks: an account that is signed in, or a machine with a token.
type caller interface {
	meets(Rule) bool
	OnUnit(string) bool
}

type accountCaller struct{ records.Account }

func (a accountCaller) meets(r Rule) bool { return !r.machines && a.May(r.needs...) }

func (s *Frame) permits(c *gin.Context, r Rule, by caller) error {
	switch {
	case r.who == ofUnit && !(by.meets(r) && by.OnUnit(c.Param("unit"))):
		return s.refuse(c, r, errNotFound)
	case r.who == ofStay:
		return s.permitsStay(c, r, by)
	case r.who == ofEpisode:
		return s.permitsEpisode(c, r, AccountOf(c)) // a machine has no account, so may not
	case r.who == ofFall:
		return s.permitsFall(c, r, by)
	case !by.meets(r):
		return s.refuse(c, r, forbidden(c))
	}
	return nil
}

// permitsStay asks first for the unit alone where the stay was at the moment asked for, or
// its last one: it must be one of the caller's. A stay that is not there and one that may
// not be seen cost the same work, and are recorded and answered alike.
func (s *Frame) permitsStay(c *gin.Context, r Rule, by caller) error {
	if !by.meets(r) {
		return s.refuse(c, r, errNotFound)
	}
	when, err := s.AsOf(c)
	if r.machines { // whatever moment the address names, and not at the start of this minute
		when, err = Asked{s.Clock(), true}, nil
	}
	if err != nil {
		return err
	}
	place, err := s.Finder.StayPlace(c.Request.Context(), c.Param("stay"), when.At)
	if err := s.permitsPlace(c, r, by, place, err); err != nil {
		return err
	}
	view, err := s.Finder.Stay(c.Request.Context(), c.Param("stay"), when.At)
	if err != nil {
		return err
	}
	c.Set(stayKey, SeenStay{when, view})
	return nil
}

// permitsPlace refuses what was looked for and not found, and what is on another unit.
func (s *Frame) permitsPlace(c *gin.Context, r Rule, by caller, place assess.Place, err error) error {
	if err != nil && clinical.CodeOf(err) != clinical.NotFound {
		return err
	}
	c.Set(placeKey, place)
	if err != nil || !by.OnUnit(place.Unit) {
		return s.refuse(c, r, errNotFound)
	}
	return nil
}

// placeOf is the place that checkAccess found; zero where it found none.
func placeOf(c *gin.Context) assess.Place {
	v, _ := c.Get(placeKey)
	place, _ := v.(assess.Place)
	return place
}

// Keys of what checkAccess leaves for the handlers.
const (
	accountKey = "account"
	stayKey    = "stay"
	placeKey   = "place" // of a stay or a fall
	episodeKey = "episode"
)

// SeenStay is a stay that the account may see, at the moment asked for.
type SeenStay struct {
	When Asked
	View assess.StayView
}

// StayOf is the stay of a route under the rule OnStay.
func StayOf(c *gin.Context) SeenStay { return c.MustGet(stayKey).(SeenStay) }

// AccountOf is the account of a route that needs one; its zero value, which may do
// nothing, where there is none.
func AccountOf(c *gin.Context) records.Account {
	a, _ := c.Get(accountKey)
	account, _ := a.(records.Account)
	return account
}

// ClearsNobody is the name of an account that cannot itself clear a patient to stand; "" for one of a
// prescriber.
func ClearsNobody(a records.Account) string {
	if a.May(records.AnswerAsked) {
		return ""
	}
	return a.Name
}

func forbidden(c *gin.Context) error {
	if tokenOf(c).Name != "" {
		return lacksScope(c)
	}
	return &Message{http.StatusForbidden, text.Say("message.forbidden"), text.Say("message.forbidden-says")}
}
