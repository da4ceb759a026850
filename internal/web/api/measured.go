package api

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// maxSet bounds the body of a set, in bytes: 20 readings with every symptom have a third of it.
const maxSet = 64 << 10

// takeSet takes in one given set that a device or another program measured. One that is sent again is
// answered first and held to no clock or policy: it was believed when it came.
func (s *service) takeSet(c *frame.Request) (frame.Page, error) {
	stay := frame.StayOf(c).View.Assessment.Digest.Stay
	if s.Sets == nil {
		return frame.Tell(http.StatusServiceUnavailable, "", text.Say("measured.no-sets"))
	}
	body, err := bodyOf(c)
	if err != nil {
		return nil, err
	}
	now := s.Clock()
	bounds := bedside.MeasuredBounds{
		Now: now, AdmittedAt: stay.AdmittedAt, DischargedAt: stay.DischargedAt, Plausible: s.PolicyOf(c).Policy.Plausible,
	}
	m, faults := bedside.ReadMeasured(body, c.Param("stay"), s.Zone)
	m.Who, m.At = senderOf(c, m), now
	if len(faults) > 0 {
		return s.refuseSet(c, m, append(faults, m.Check(bounds)...))
	}
	kept, err := s.Sets.MeasuredBefore(c.Request.Context(), m)
	switch clinical.CodeOf(err) {
	case "":
		return s.sentAgain(c, m, kept)
	case clinical.NotFound:
	default:
		return s.notStored(c, m, err)
	}
	if faults := m.Check(bounds); len(faults) > 0 {
		return s.refuseSet(c, m, faults)
	}
	if err := s.noteSet(c, frame.Allowed, m.SetID()); err != nil {
		return nil, err
	}
	taken, err := s.Sets.Measured(c.Request.Context(), stay.Unit, m)
	switch {
	case err != nil:
		return s.notStored(c, m, err)
	case taken.Repeated: // another instance was quicker
		return s.setDocument(c, http.StatusOK, m, taken.Message)
	}
	return s.setDocument(c, http.StatusCreated, m, taken.Message)
}

func (s *service) sentAgain(c *frame.Request, m bedside.Measured, kept records.Message) (frame.Page, error) {
	if err := s.noteSet(c, frame.Allowed, m.SetID()+", sent again"); err != nil {
		return nil, err
	}
	return s.setDocument(c, http.StatusOK, m, kept)
}

// bodyOf is the body of the request, as far as a set may be large.
func bodyOf(c *frame.Request) ([]byte, error) {
	body, err := io.ReadAll(http.MaxBytesReader(c.Writer, c.Request.Body, maxSet))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		return nil, frame.Told(http.StatusRequestEntityTooLarge, "", text.Say("measured.too-large", maxSet))
	case err != nil:
		return nil, frame.Told(http.StatusBadRequest, "", text.Say("measured.cut-off"))
	}
	return body, nil
}

// senderOf names the machine, and in brackets who or what took the set by its word: no account has
// such a name, so no machine can pass for one.
func senderOf(c *frame.Request, m bedside.Measured) string {
	who := frame.Machine(c)
	if m.TakenBy != "" {
		who += " (" + m.TakenBy + ")"
	}
	return who
}

// setDocument is the set as it was known when it came, or when its last reading is taken where
// the sender's clock runs a little ahead.
func (s *service) setDocument(c *frame.Request, status int, m bedside.Measured, kept records.Message) (frame.Page, error) {
	at := kept.ReceivedAt
	if last := m.LastTaken(); last.After(at) {
		at = last
	}
	view, err := s.Finder.Stay(c.Request.Context(), m.StayID, at)
	if err != nil {
		return nil, err
	}
	set := report.SetOf(view.Assessment.Digest.Sets, m.SetID())
	if set == nil {
		return nil, clinical.Errorf(clinical.Internal, "a set that was stored is not among those of its stay")
	}
	return frame.Document(status, set)
}

// notStored answers a set that the store refused, or could not take.
func (s *service) notStored(c *frame.Request, m bedside.Measured, err error) (frame.Page, error) {
	if clinical.CodeOf(err) != clinical.Conflict {
		return nil, err
	}
	if err := s.noteSet(c, frame.Refused, m.SetID()+", stored already with other content"); err != nil {
		return nil, err
	}
	return frame.Tell(http.StatusConflict, "", text.Say("measured.conflict"))
}

// problem is what is wrong with one field, as the answer tells it.
type problem struct {
	Field   string   `json:"field"`
	Message string   `json:"message"`
	Min     *float64 `json:"min"`
	Max     *float64 `json:"max"`
}

// refuseSet says what is wrong with a set, of which nothing is kept.
func (s *service) refuseSet(c *frame.Request, m bedside.Measured, faults []bedside.Fault) (frame.Page, error) {
	what := "a set without an id"
	if m.ID != "" {
		what = m.SetID()
	}
	if err := s.noteSet(c, frame.Refused, fmt.Sprintf("%s, problems: %d", what, len(faults))); err != nil {
		return nil, err
	}
	out := make([]problem, len(faults))
	for n, f := range faults {
		out[n] = problem{f.Field, faultText(f), f.Min, f.Max}
	}
	return frame.Document(http.StatusBadRequest, map[string][]problem{"problems": out})
}

// noteSet writes into the audit what becomes of a set, before it does.
func (s *service) noteSet(c *frame.Request, outcome, note string) error {
	return s.Noted(c, records.AuditEntry{
		Did: audit.Change, Outcome: outcome, Stay: c.Param("stay"), Unit: frame.StayOf(c).View.Assessment.Digest.Stay.Unit,
		Note: "set " + note,
	})
}

// faultText is what is wrong with a field, in words.
func faultText(f bedside.Fault) string {
	switch f.Why {
	case bedside.NotCount:
		return text.Say("measured.count", int(*f.Min), int(*f.Max))
	case bedside.Ahead:
		return text.Say("measured.ahead", int(bedside.ClockSkew/time.Minute))
	case bedside.TooOld:
		return text.Say("measured.too-old", int(bedside.Oldest/time.Hour))
	case bedside.NotOfList:
		return text.Say("measured.not-of-list", strings.Join(f.List, ", "))
	case bedside.OutOfRange:
		return text.Say("measured.range", figure(*f.Min), figure(*f.Max))
	case bedside.TooLong:
		return text.Say("measured.too-long", bedside.MaxTakenBy)
	}
	return plainFaultText(f.Why)
}

func figure(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// plainFaultText is of what needs no figure.
func plainFaultText(why bedside.Why) string {
	switch why {
	case bedside.NotJSON:
		return text.Say("measured.not-json")
	case bedside.NotObject:
		return text.Say("measured.not-object")
	case bedside.NotArray:
		return text.Say("measured.not-array")
	case bedside.NotText:
		return text.Say("measured.not-text")
	case bedside.NotNumber:
		return text.Say("measured.not-number")
	case bedside.NotBoolean:
		return text.Say("measured.not-boolean")
	case bedside.NotKnown:
		return text.Say("measured.not-known")
	case bedside.Twice:
		return text.Say("measured.twice")
	case bedside.NotID:
		return text.Say("measured.not-id")
	case bedside.Missing:
		return text.Say("measured.missing")
	case bedside.NotTime:
		return text.Say("measured.not-time")
	case bedside.OutsideStay:
		return text.Say("measured.outside-stay")
	case bedside.NotBelow:
		return text.Say("measured.not-below")
	case bedside.Negative:
		return text.Say("measured.negative")
	case bedside.Unprintable:
		return text.Say("measured.unprintable")
	}
	return text.Say("measured.wrong")
}
