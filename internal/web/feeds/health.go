package feeds

import (
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// heldShown are the rows held back of one page.
const heldShown = 50

// fixedShown are the rows put right last that the page names.
const fixedShown = 10

// feedsView is the page of the feeds' health.
type feedsView struct {
	frame.Layout
	State                    string
	FolderSet                bool
	Trouble                  string
	Since                    *frame.Moment // since when nothing was read, where that is so
	At                       *frame.Moment
	Said                     string // what has just been done
	Ends                     string // and what became of the rows
	Problems                 []string
	Units                    []unitLine
	ChecksAny                bool // the reader says whether the feeds of units were checked
	AllThere                 bool // what comes a day can be looked at
	Kinds                    []feedKindView
	Telling                  []channelView
	ToRecord                 []wayView    // the ways to the record
	Unsent                   []unsentLine // what it has not taken, for who sees rows
	RecordAlert, RecordQuiet bool
	Search                   *heldSearch
	Next                     int      // of a search: the part behind
	Dropped                  []string // rows that left the quarantine at its bounds
	Lease                    string   // who reads the feeds; "" where there is one instance alone
	Growing                  []growingView
	Files                    []fileView
	FilesMore                bool // only the last are listed
	SeesRows                 bool
	Held                     []heldLine
	HeldTotal                int
	HeldPart                 string // "rows 51 to 100 of 214"
	Earlier                  string // the address of the part before
	Later                    string // and of the one behind
	OfKind                   string // the kind of which rows are shown alone
	Fixed                    []fixedLine
	Waiting                  int
	Episodes                 []parts.Episode // owed of the feeds
	Clock                    string          // that a clock was wrong; "" where none was
	ClockAt                  *frame.Moment
}

type heldLine struct {
	records.Held
	Reason string // as people should read it
	URL    string
}

type fixedLine struct {
	FixedRow
	When *frame.Moment
}

// feedKindView is one kind of facts of one feed.
type feedKindView struct {
	Feed, Kind                                                  string
	Read, New, Newest                                           *frame.Moment
	Lag                                                         string
	Accepted, Unchanged, Superseded, Waiting, Skipped, HeldBack int
	HeldNow, WaitingNow                                         int
	HeldURL                                                     string
}

// channelView is how telling by one channel goes.
type channelView struct {
	Name, Trouble   string
	Sent, Failing   *frame.Moment
	Oldest          *frame.Moment
	Waiting, Failed int
}

// growingView is a file that is still being written.
type growingView struct {
	Name, Said string
	Since      *frame.Moment
}

// leaseSays is who reads the feeds.
func leaseSays(l *records.Lease) string {
	switch {
	case l == nil:
		return ""
	case l.Mine:
		return text.Say("feeds.lease-mine", l.Owner)
	case l.Running:
		return text.Say("feeds.lease-other", l.Owner)
	}
	return text.Say("feeds.lease-none")
}

// growingSays is how far a file that is still being written has been read.
func growingSays(g records.GrowingFile) string {
	if g.Read == 0 {
		return text.Say("feeds.growing-none", g.Size)
	}
	return text.Say("feeds.growing-part", g.Read, g.Size)
}

type fileView struct {
	Name, Folder string
	Read         *frame.Moment
	Rows         int
	Unchanged    int
	Skipped      int
	HeldBack     int
	Error        string
}

func (s *service) feedPage(c *frame.Request) (frame.Page, error) {
	return s.showFeeds(c, http.StatusOK, "", nil)
}

// heldSearch is which of the rows held back are asked for. What somebody looks for may be a
// patient's name, so it is typed into a form that is sent, and never stands in an address.
type heldSearch struct {
	Text, Reason, Source, From, To string
	Page                           int
	Asked                          bool
}

// query is what the store is asked for; a day that cannot be read asks for nothing.
func (h heldSearch) query(zone *time.Location) records.HeldQuery {
	q := records.HeldQuery{Text: h.Text, Reason: h.Reason, Source: h.Source}
	if day, err := time.ParseInLocation(time.DateOnly, h.From, zone); err == nil {
		q.From = day
	}
	if day, err := time.ParseInLocation(time.DateOnly, h.To, zone); err == nil {
		q.To = day.AddDate(0, 0, 1)
	}
	return q
}

func (s *service) searchRows(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	e := records.AuditEntry{Did: audit.View, Outcome: frame.Allowed, Note: "search of the rows held back"}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	h := heldSearch{
		Text: form.Get("text"), Reason: form.Get("reason"), Source: form.Get("source"), From: form.Get("from"), To: form.Get("to"),
		Asked: true,
	}
	h.Page, _ = strconv.Atoi(form.Get("page"))
	return s.showFound(c, http.StatusOK, "", nil, &h)
}

// showFeeds shows the page of the feeds, with what has just been done.
func (s *service) showFeeds(c *frame.Request, status int, said string, ends *ingest.Summary) (frame.Page, error) {
	return s.showFound(c, status, said, ends, nil)
}

// showFound is showFeeds with the rows held back that were searched for.
func (s *service) showFound(
	c *frame.Request, status int, said string, ends *ingest.Summary, search *heldSearch,
) (frame.Page, error) {
	h, state := s.Feeds.Health(c.Request.Context(), s.Log)
	now := s.Clock()
	t := s.Times(now, true)
	units, err := s.UnitsFor(c.Request.Context(), frame.AccountOf(c))
	if err != nil {
		return nil, err
	}
	minute := frame.Asked{At: s.Minute(), Live: true}
	v := feedsView{
		Layout: s.LayoutOfUnits(c, text.Say("feeds.title"), units, minute).At("/feeds").Live(now), State: state, FolderSet: h.Folder != "",
		Trouble:   h.Trouble,
		HeldTotal: h.Held, Waiting: h.Waiting, Said: said, FilesMore: len(h.Files) >= filesShown,
		SeesRows: s.Desk != nil && state != parts.FeedUnknown && frame.AccountOf(c).May(records.ViewHeldRows),
	}
	if ends != nil {
		v.Ends = text.Say(
			"feeds.ends", ends.Accepted, ends.Unchanged, ends.Superseded, ends.Waiting, ends.Skipped, ends.Held,
		)
		for _, p := range ends.Problems[:min(len(ends.Problems), heldShown)] {
			v.Problems = append(v.Problems, p.String())
		}
	}
	if v.SeesRows {
		if v.Search = search; search == nil {
			v.Search = &heldSearch{}
		}
		if err := s.heldOf(c, &v, t); err != nil {
			return nil, err
		}
	}
	if h.Clock != nil {
		v.Clock, v.ClockAt = clockSays(*h.Clock), t.Moment(h.Clock.At)
	}
	if v.Episodes, err = s.feedEpisodes(c, now); err != nil {
		return nil, err
	}
	// What is being typed must not be swept away, nor what was done be hidden.
	v.Refresh = said == "" && search == nil && !parts.Actable(v.Episodes)
	v.At, v.Since = t.MomentIfAny(h.LastRead), t.MomentIfAny(h.SilentSince)
	v.AllThere = s.Watch != nil
	v.ChecksAny = s.Checks != nil && frame.AccountOf(c).May(records.CheckUnits)
	v.Units = unitLines(s.Times(now, true), frame.AccountOf(c), h.Units)
	for _, k := range h.Kinds {
		v.Kinds = append(v.Kinds, feedKindViewOf(t, k))
	}
	for _, ch := range h.Telling {
		v.Telling = append(v.Telling, channelView{
			Name: ch.Channel, Trouble: ch.Trouble, Waiting: ch.Waiting, Failed: ch.Failed,
			Sent: t.MomentIfAny(ch.LastSent), Failing: t.MomentIfAny(ch.FailingSince), Oldest: t.MomentIfAny(ch.Oldest),
		})
	}
	if err := s.takeOutbox(c, &v, t, h.Outbox); err != nil {
		return nil, err
	}
	v.Lease = leaseSays(h.Lease)
	for _, d := range h.Dropped {
		of, day := string(d.Kind)+" "+d.Feed, t.Day(d.At)
		said := text.Say("feeds.dropped-size", d.Rows, of, day)
		if d.Why == "age" {
			said = text.Say("feeds.dropped-age", d.Rows, of, day)
		}
		v.Dropped = append(v.Dropped, said)
	}
	for _, g := range h.Growing {
		v.Growing = append(v.Growing, growingView{Name: g.Name, Said: growingSays(g), Since: t.Moment(g.Since)})
	}
	for _, f := range h.Files {
		v.Files = append(v.Files, fileView{
			Name: filepath.Base(f.Name), Folder: folderOf(h.Folder, f.Name), Rows: f.Rows, Unchanged: f.Unchanged,
			Skipped: f.Skipped, HeldBack: f.Held, Error: f.Error, Read: t.MomentIfAny(f.ReadAt),
		})
	}
	return frame.Show(status, "feeds", v)
}

// clockSays is that a clock was wrong, and what that means here.
func clockSays(c parts.ClockTrouble) string {
	by := text.Span(c.By.Abs())
	switch {
	case c.Waits:
		return text.Say("feeds.clock-waits", by)
	case c.By > 0:
		return text.Say("feeds.clock-forward", by)
	}
	return text.Say("feeds.clock-back", by)
}

// folderOf is the folder of a file below the feed folder, "" for one that lies in it, and
// for one that is known by its name alone. Of a file that was loaded from elsewhere it is
// the last folder alone: how the machine is laid out is nobody's business who looks at feeds.
func folderOf(feedFolder, path string) string {
	if !filepath.IsAbs(path) {
		return ""
	}
	below, err := filepath.Rel(feedFolder, filepath.Dir(path))
	switch {
	case feedFolder == "" || err != nil || !filepath.IsLocal(below):
		return filepath.Base(filepath.Dir(path))
	case below == ".":
		return ""
	}
	return below
}

func feedKindViewOf(t frame.Times, k records.FeedKind) feedKindView {
	v := feedKindView{
		Feed: k.Feed, Kind: string(k.Kind), Read: t.MomentIfAny(k.ReadAt), New: t.MomentIfAny(k.NewAt),
		Newest:   t.MomentIfAny(k.NewestAt),
		Lag:      text.Say("feeds.unknown-lag"),
		Accepted: k.Accepted, Unchanged: k.Unchanged, Superseded: k.Superseded, Waiting: k.Waiting,
		Skipped: k.Skipped, HeldBack: k.Held,
		HeldNow: k.HeldNow, WaitingNow: k.WaitingNow,
	}
	if !k.NewAt.IsZero() && !k.NewestAt.IsZero() {
		v.Lag = text.Span(k.NewAt.Sub(k.NewestAt))
	}
	v.HeldURL = "/feeds?kind=" + url.QueryEscape(string(k.Kind)) + "#held"
	return v
}

// heldOf fills in the part of the rows held back that is asked for, and those put
// right last.
func (s *service) heldOf(c *frame.Request, v *feedsView, t frame.Times) error {
	page, err := strconv.Atoi(c.DefaultQuery("page", "1"))
	if v.Search.Asked {
		page = v.Search.Page
	}
	if err != nil || page < 1 || page > 1_000_000 {
		page = 1
	}
	kind := clinical.Kind(c.Query("kind"))
	if !slices.Contains(clinical.Kinds, kind) {
		kind = ""
	}
	from := (page - 1) * heldShown
	q := v.Search.query(s.Zone)
	q.Kind, q.Bare, q.Offset, q.Limit = kind, true, from, heldShown+1
	rows, err := s.Desk.Rows.HeldRows(c.Request.Context(), q)
	if err != nil {
		return err
	}
	address := func(page int) string {
		return "/feeds?" + url.Values{"kind": {string(kind)}, "page": {strconv.Itoa(page)}}.Encode() + "#held"
	}
	if page > 1 && !v.Search.Asked {
		v.Earlier = address(page - 1)
	}
	if len(rows) > heldShown {
		rows, v.Next = rows[:heldShown], page+1
		if !v.Search.Asked {
			v.Later = address(page + 1)
		}
	}
	for _, h := range rows {
		v.Held = append(v.Held, heldLine{h, ingest.ReasonOf(h), "/feeds/held/" + strconv.FormatInt(h.ID, 10)})
	}
	if len(rows) > 0 {
		v.HeldPart = text.Say("feeds.part", from+1, from+len(rows))
	}
	v.OfKind = string(kind)
	fixed, err := s.Desk.Fixed(c.Request.Context(), fixedShown)
	for _, f := range fixed {
		v.Fixed = append(v.Fixed, fixedLine{f, t.MomentAgo(f.At)})
	}
	return err
}

// filesShown are the files, read last, that the page of the feeds names besides those
// that could not be read.
const filesShown = 200
