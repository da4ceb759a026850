package feeds

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// heldView is one row held back, with a form to put it right.
type heldView struct {
	frame.Layout
	ID       int64
	Mark     string // tells the row from another that has come to its number
	File     string
	Line     int
	Kind     string
	SourceID string
	Reason   string
	First    *frame.Moment
	Cells    []cellView
	Raw      []string // as received, where it could not be parted by columns
	Error    string
	Others   bool // columns that the file does not have are offered
}

type cellView struct {
	Column, Value, Was string
	InFile             bool
	Known              bool // a column that is read
}

// markOf tells a row held back from others.
func markOf(h HeldRow) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %d %q %q %q", h.File, h.Line, h.Kind, h.Header, h.Record))
	return hex.EncodeToString(sum[:12])
}

// heldRow is the row of the URL. The error says so where it is gone.
func (s *service) heldRow(c *frame.Request) (HeldRow, error) {
	id, err := strconv.ParseInt(c.Param("row"), 10, 64)
	if err != nil || s.Desk == nil {
		return HeldRow{}, clinical.Errorf(clinical.NotFound, "there is no such row")
	}
	h, err := s.Desk.Row(c.Request.Context(), id)
	return h, goneOr(err)
}

// goneOr says of a row that is not held back any more that it is gone.
func goneOr(err error) error {
	if clinical.CodeOf(err) == clinical.NotFound {
		return frame.Told(http.StatusNotFound, text.Say("feeds.gone-heading"), text.Say("feeds.gone"))
	}
	return err
}

// cell is what a row held back says in a column.
func (h HeldRow) cell(column string) string {
	if n := slices.Index(h.Header, column); n >= 0 && len(h.Record) == len(h.Header) {
		return h.Record[n]
	}
	return ""
}

// noteHeld records who looked at, read again or put right a row held back.
func (s *service) noteHeld(c *frame.Request, did string, h HeldRow, note string) error {
	return s.Noted(c, records.AuditEntry{
		Did: did, Stay: h.cell("stay_id"), Outcome: frame.Allowed, Note: note + " " + strconv.FormatInt(h.ID, 10),
	})
}

func (s *service) heldPage(c *frame.Request) (frame.Page, error) {
	h, err := s.heldRow(c)
	if err == nil {
		err = s.noteHeld(c, audit.View, h, "row held back")
	}
	if err != nil {
		return nil, err
	}
	return s.showHeld(c, http.StatusOK, h, nil, "")
}

// showHeld shows a row held back; cells holds what somebody typed, by column, nil for
// what was received.
func (s *service) showHeld(
	c *frame.Request, status int, h HeldRow, cells url.Values, fault string,
) (frame.Page, error) {
	t := s.Times(s.Clock(), false)
	v := heldView{
		Layout: s.Layout(c, text.Say("feeds.held-title")).At("/feeds"), ID: h.ID, Mark: markOf(h), File: h.File, Line: h.Line,
		Kind: string(h.Kind), SourceID: h.SourceID, Reason: ingest.ReasonOf(h.Held), Error: fault,
	}
	if !h.FirstSeen.IsZero() {
		v.First = t.MomentAgo(h.FirstSeen)
	}
	if len(h.Header) == 0 || len(h.Header) != len(h.Record) {
		v.Raw = h.Record
	}
	for _, column := range columnsOf(h) {
		cell := cellView{
			Column: column, Was: h.cell(column), InFile: slices.Contains(h.Header, column),
			Known: slices.Contains(h.Columns, column),
		}
		cell.Value = cell.Was
		if cells != nil {
			cell.Value = cells.Get(cellName(column))
		}
		v.Others = v.Others || !cell.InFile
		v.Cells = append(v.Cells, cell)
	}
	return frame.Show(status, "held", v)
}

// columnsOf are the columns of the file with a name, and then those that its kind has
// besides.
func columnsOf(h HeldRow) []string {
	var out []string
	for _, column := range slices.Concat(h.Header, h.Columns) {
		if column != "" && !slices.Contains(out, column) {
			out = append(out, column)
		}
	}
	return out
}

func cellName(column string) string { return "cell." + column }

func (s *service) fixRow(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	h, err := s.heldRow(c)
	if err != nil {
		return nil, err
	}
	if form.Get("mark") != markOf(h) {
		return frame.Tell(http.StatusConflict, text.Say("feeds.gone-heading"), text.Say("feeds.gone"))
	}
	if err := s.noteHeld(c, audit.Change, h, "putting right row held back"); err != nil {
		return nil, err
	}
	columns := columnsOf(h)
	cells := make([]string, len(columns))
	for n, column := range columns {
		cells[n] = form.Get(cellName(column))
	}
	ends, reason, err := s.Desk.Fix(c.Request.Context(), h.ID, columns, cells, frame.AccountOf(c).Name)
	switch {
	case err != nil:
		return nil, goneOr(err)
	case reason != "":
		return s.showHeld(c, http.StatusUnprocessableEntity, h, form, reason)
	default:
		return s.showFeeds(c, http.StatusOK, text.Say("feeds.fixed", h.File, h.Line), &ends)
	}
}

func (s *service) retryRow(c *frame.Request) (frame.Page, error) {
	h, err := s.heldRow(c)
	if err == nil {
		err = s.noteHeld(c, audit.Change, h, "reading again row held back")
	}
	if err != nil {
		return nil, err
	}
	return s.retry(c, h.ID)
}

func (s *service) retryRows(c *frame.Request) (frame.Page, error) {
	if s.Desk == nil {
		return frame.NotFound()
	}
	e := records.AuditEntry{Did: audit.Change, Outcome: frame.Allowed, Note: "reading again all rows held back"}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	return s.retry(c, 0)
}

func (s *service) retry(c *frame.Request, id int64) (frame.Page, error) {
	ends, done, err := s.Desk.Retry(c.Request.Context(), id)
	switch {
	case err != nil:
		return nil, goneOr(err)
	case !done:
		return s.showFeeds(c, http.StatusAccepted, text.Say("feeds.retrying"), nil)
	default:
		return s.showFeeds(c, http.StatusOK, text.Say("feeds.retried"), &ends)
	}
}
