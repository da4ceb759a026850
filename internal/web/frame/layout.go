package frame

import (
	"context"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// unitOf is the unit that the page of a request is about; "" where there is none.
func unitOf(c *gin.Context) string {
	if c.FullPath() == WallURL && len(AccountOf(c).Units) == 1 {
		return AccountOf(c).Units[0]
	}
	if seen, ok := c.Get(stayKey); ok {
		return seen.(SeenStay).View.Assessment.Digest.Stay.Unit
	}
	if seen, ok := c.Get(fallKey); ok {
		return UnitOfFall(seen.(SeenFall).Fall)
	}
	return c.Param("unit")
}

// OwedLine says on the list how many episodes are owed. It is no part of the list
// that is kept for a minute: somebody may take one at any moment.
type OwedLine struct {
	Text string
	URL  string // "" where the reader may not follow
}

// Layout is what every page shows around its content. All that depends on the
// account is here, save for names on the list.
type Layout struct {
	Title    string
	Hospital string
	Nav      []Link
	SubName  string // the unit of the page; "" where it is of none
	Sub      []Link // the pages of that unit
	Who      string // the account's name; "" where nobody is signed in
	Idle     int    // seconds without use after which the session ends; 0: nobody sits here
	Zone     string
	Version  string
	Policy   string // hash, shortened
	Caution  string
	Now      string // the moment that "ago" counts from; "" where it stands still
	Refresh  bool   // the page fetches itself anew each minute
	Codes    bool   // the codes of rules are shown
	CodesKey bool   // a key and a button show them for a while
	Posted   bool   // the answer to a form: its address may lead nowhere by itself
	Owed     *OwedLine
	Old      []OldList // the lists behind the page that are old; none where it shows no patient
	// Unchecked says of which units behind the page the feeds have not been checked.
	Unchecked []string
	// Gaps are what the feeds of the list's unit do not bring as they should.
	Gaps []string
}

// OldList says that the list of a unit is old (U-FRESH).
type OldList struct {
	Unit string // "" where the page is of one unit alone
	Says string
}

// oneOld is the list of the one unit of a page, where something is to be said of it.
func oneOld(says string) []OldList {
	if says == "" {
		return nil
	}
	return []OldList{{Says: says}}
}

type Link struct {
	Name, URL string
	Here      bool // the page itself
	Within    bool // the page is one of its unit
}

// Layout is the frame of a page for the account that asks. On a page of a unit it says
// where the unit's list is old.
func (s *Frame) Layout(c *gin.Context, title string) Layout {
	f := s.ways(c, title)
	if when, ok := s.momentOf(c); ok && f.SubName != "" {
		f.Old = oneOld(s.oldList(c.Request.Context(), unitOf(c), when))
	}
	return f
}

// LayoutOf is Layout for the page of a list of which it is known how old it is.
func (s *Frame) LayoutOf(c *gin.Context, title string, fresh alerts.Freshness, when Asked) Layout {
	f := s.ways(c, title)
	f.Old = oneOld(s.Times(when.At, when.Live).Stale(fresh))
	if when.Live {
		f.Gaps = s.gaps(c.Request.Context(), unitOf(c), when.At)
	}
	return f
}

// LayoutOfUnits is Layout for a page that shows patients of several units, or how their
// facts come in.
func (s *Frame) LayoutOfUnits(c *gin.Context, title string, units []string, when Asked) Layout {
	f := s.ways(c, title)
	f.Old = s.OldLists(c.Request.Context(), units, when)
	f.Unchecked = s.unchecked(c.Request.Context(), units...)
	return f
}

// LayoutOfLists is LayoutOfUnits for lists of which it is known how old they are, by unit.
func (s *Frame) LayoutOfLists(
	c *gin.Context, title string, units []string, fresh map[string]alerts.Freshness, when Asked,
) Layout {
	f := s.ways(c, title)
	for _, unit := range units {
		if says := s.Times(when.At, when.Live).Stale(fresh[unit]); says != "" {
			f.Old = append(f.Old, OldList{unit, says})
		}
	}
	f.Unchecked = s.unchecked(c.Request.Context(), units...)
	return f
}

// ways is the frame with the ways to other pages.
func (s *Frame) ways(c *gin.Context, title string) Layout {
	a, f := AccountOf(c), s.Bare(c, title)
	if a.OneTime {
		return f // nothing else opens before the password is changed
	}
	if c.FullPath() == WallURL { // nobody sits there, and nothing else opens to it
		f.Who, f.Unchecked = "", s.unchecked(c.Request.Context(), a.Units...)
		return f
	}
	units, err := s.UnitsFor(c.Request.Context(), a)
	if err != nil {
		s.Log.Error("the units could not be listed", "error", err)
	}
	here := unitOf(c)
	if len(units) > 1 {
		f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-hospital"), URL: HospitalURL})
	}
	for _, u := range units {
		f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-unit", u), URL: UnitURL(u), Within: u == here})
		if u == here {
			f.SubName, f.Sub = text.Say("frame.nav-unit", u), s.unitLinks(a, u)
			f.Unchecked = s.unchecked(c.Request.Context(), u)
		}
	}
	if a.May(records.ReviewDoses) {
		f.Nav = append(
			f.Nav, Link{Name: text.Say("dosereview.heading"), URL: QueueURL}, Link{Name: text.Say("ledger.nav"), URL: LedgerURL},
		)
	}
	if a.May(records.AnswerAsked) {
		f.Nav = append(f.Nav, Link{Name: text.Say("asked.nav"), URL: AskedURL})
	}
	if a.May(records.ViewFeeds) {
		f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-feeds"), URL: "/feeds"})
	}
	if a.May(records.ManageAccounts) {
		f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-accounts"), URL: "/accounts"})
	}
	if a.May(records.ManageTokens) {
		f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-tokens"), URL: "/tokens"})
	}
	if a.May(records.ViewAudit) {
		f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-audit"), URL: "/audit"})
	}
	if a.May(records.ManagePolicy) {
		f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-policy"), URL: "/policy"})
	}
	if a.May(records.ManagePolicy) {
		f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-codes"), URL: "/codes"})
	}
	f.Nav = append(f.Nav, Link{Name: text.Say("frame.nav-rules"), URL: "/rules"})
	return f
}

// unitLinks are the ways to the pages of one unit.
func (s *Frame) unitLinks(a records.Account, unit string) []Link {
	if !a.May(records.ViewNames) {
		return []Link{{Name: text.Say("frame.nav-list"), URL: UnitURL(unit)}, {Name: text.Say("wall.nav"), URL: WallOfURL(unit)}}
	}
	links := []Link{{Name: text.Say("frame.nav-list"), URL: UnitURL(unit)}}
	if s.Episodes != nil {
		links = append(links, Link{Name: text.Say("frame.nav-episodes"), URL: EpisodesURL(unit)})
	}
	if a.May(records.ViewStay) {
		links = append(links, Link{Name: text.Say("round.nav"), URL: RoundURL(unit)})
	}
	if a.May(records.ViewStay) {
		links = append(links, Link{Name: text.Say("frame.nav-falls"), URL: FallsURL(unit)})
	}
	if a.May(records.ViewUnitFigures) {
		links = append(links, Link{Name: text.Say("overtime.nav"), URL: OverTimeURL(unit)})
	}
	links = append(links, Link{Name: text.Say("wall.nav"), URL: WallOfURL(unit)})
	if a.May(records.RecordSet) && s.TakesSets {
		links = append(links, Link{Name: text.Say("bedside.choose-link"), URL: ChooseURL(unit)})
	}
	return links
}

// Bare is a frame without ways to other pages; no database is asked for it.
func (s *Frame) Bare(c *gin.Context, title string) Layout {
	a := AccountOf(c)
	f := Layout{
		Title: title, Hospital: s.Hospital, Zone: s.Zone.String(), Version: s.Version, Who: a.Name,
		Policy: ShortHash(s.PolicyOf(c).Hash), Caution: text.Caution, Posted: !isReading(c),
	}
	f.Codes = a.ShowCodes
	if a.Name != "" && !a.Unattended() {
		f.CodesKey = !f.Codes
		f.Idle = int(s.Accounts.IdleLimit().Seconds())
	}
	return f
}

// At marks where in the site the page stands.
func (f Layout) At(url string) Layout {
	for _, links := range [][]Link{f.Nav, f.Sub} {
		for n := range links {
			links[n].Here = links[n].URL == url
		}
	}
	return f
}

// Live makes the times of the page count on from a moment.
func (f Layout) Live(now time.Time) Layout {
	f.Now = now.UTC().Format(time.RFC3339)
	return f
}

// unchecked says of which units the feeds have not been checked. Where that cannot be told it says
// so.
func (s *Frame) unchecked(ctx context.Context, units ...string) (says []string) {
	if s.Deps.Unchecked == nil {
		return nil
	}
	for _, unit := range units {
		unchecked, err := s.Deps.Unchecked(ctx, unit)
		if err != nil {
			s.Log.Error("whether the feeds of a unit were checked could not be told", "error", err)
			return append(says, text.Say("frame.check-unknown"))
		}
		if unchecked {
			says = append(says, text.Say("frame.commissioning", unit))
		}
	}
	return says
}

// gaps says what the feeds of a unit do not bring as they should.
func (s *Frame) gaps(ctx context.Context, unit string, at time.Time) (says []string) {
	if s.Deps.Gaps == nil {
		return nil
	}
	gaps, err := s.Deps.Gaps(ctx, unit)
	if err != nil {
		s.Log.Error("what the feeds of a unit bring could not be told", "error", err)
		return []string{text.Say("frame.gaps-unknown")}
	}
	for _, g := range gaps {
		says = append(says, s.Catalogue(at).Gap(g))
	}
	return says
}
