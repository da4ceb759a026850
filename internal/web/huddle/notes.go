package huddle

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// notesID is where the notes of a stay stand on a page; those of the unit for an empty one.
func notesID(stayID string) string {
	if stayID == "" {
		return "notes"
	}
	return "notes-" + stayID
}

// notesOf are the notes of a patient in the row, nil where none are in sight.
func (l lister) notesOf(a alerts.Assessment) *parts.Notes {
	id := a.Digest.StayID
	if !l.sees.names {
		return nil
	}
	v := &parts.Notes{ID: notesID(id), What: bedWords(a.Digest.Stay.Bed), Notes: parts.NotesOf(l.Times, l.given.notes[id])}
	if l.sees.acts && l.sees.by.May(records.ActOnEpisodes) && l.Shift != nil {
		v.URL, v.Back = frame.NoteURL(frame.StayURL(id)), parts.BackToList+l.chosen.query().Encode()
	}
	return v
}

// unitNotes are the notes of the unit.
func (l lister) unitNotes(unit string) *parts.Notes {
	if !l.sees.names {
		return nil
	}
	shown := parts.NotesOf(l.Times, l.given.notes[""])
	v := &parts.Notes{ID: notesID(""), What: text.Say("frame.nav-unit", unit), Notes: shown}
	if l.sees.acts && l.sees.by.May(records.ActOnEpisodes) && l.Shift != nil {
		v.URL, v.Back = frame.NoteURL(frame.UnitURL(unit)), parts.BackToList+l.chosen.query().Encode()
	}
	return v
}

// noteOfStay and noteOfUnit keep a note for the handover, or take one back.
func (s *service) noteOfStay(c *frame.Request) (frame.Page, error) {
	d := frame.StayOf(c).View.Assessment.Digest
	return s.note(c, records.HandoverNote{StayID: d.StayID, Unit: d.Stay.Unit})
}

func (s *service) noteOfUnit(c *frame.Request) (frame.Page, error) {
	return s.note(c, records.HandoverNote{Unit: c.Param("unit")})
}

func (s *service) note(c *frame.Request, n records.HandoverNote) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	if s.Shift == nil {
		return frame.NotFound()
	}
	ctx, p, now := c.Request.Context(), s.PolicyFor(c.Request.Context()).Policy.Unit, s.Clock()
	n.Who, n.At = frame.AccountOf(c).Name, now
	n.Until = alerts.NextShift(p, s.Zone, alerts.NextShift(p, s.Zone, now))
	n.Text = strings.Join(strings.Fields(form.Get("note")), " ")
	back := listURL(n.Unit, strings.TrimPrefix(form.Get("back"), parts.BackToList)) + "#" + notesID(n.StayID)
	if form.Get("back") == parts.BackToStay {
		back = frame.StayURL(n.StayID) + "#" + notesID(n.StayID)
	}
	ends, err := strconv.ParseInt(form.Get("ends"), 10, 64)
	taken := err == nil
	if wrong := wrongNote(n.Text); wrong != "" && !taken {
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("parts.note-wrong"), wrong)
	}
	var of []string
	if n.StayID != "" {
		of = []string{n.StayID}
	}
	unit := ""
	if n.StayID == "" {
		unit = n.Unit
	}
	there, err := s.Shift.HandoverNotes(ctx, unit, of, now)
	if err != nil {
		return nil, err
	}
	said := slices.ContainsFunc(there, func(o records.HandoverNote) bool {
		return taken && o.Number == ends || !taken && o.Text == n.Text
	})
	if said != taken { // it is there already, or not any more: the button was pressed twice
		return frame.SeeOther(back)
	}
	e := records.AuditEntry{Did: audit.Change, Stay: n.StayID, Unit: n.Unit, Outcome: frame.Allowed}
	keep := s.Shift.AddHandoverNote
	e.Note = "handover note written"
	if taken {
		n.Number, keep, e.Note = ends, s.Shift.EndHandoverNote, "handover note "+strconv.FormatInt(ends, 10)+" taken back"
	}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	if err := keep(ctx, n); err != nil {
		return nil, err
	}
	return frame.SeeOther(back)
}

// wrongNote says what is wrong with a note, with what was typed; "" for nothing.
func wrongNote(typed string) string {
	switch n := utf8.RuneCountInString(typed); {
	case n == 0:
		return text.Say("parts.note-empty")
	case n > parts.MaxNote:
		return text.Say("parts.note-long", n, parts.MaxNote, typed)
	case strings.ContainsFunc(typed, func(r rune) bool { return !unicode.IsPrint(r) }):
		return text.Say("parts.note-unseen")
	}
	return ""
}
