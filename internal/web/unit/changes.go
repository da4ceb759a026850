package unit

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/audit"
	"plumbline/internal/charts"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// mostWords is how long the words of a change may be, in characters.
const mostWords = 120

// changeView is what was changed on the unit, as the page lists it.
type changeView struct {
	Sign, Day, What string
	Anew            bool
	By              string
	Number          int64
}

// signOf names the n-th change: A to Z, then A2.
func signOf(n int) string {
	sign := string(rune('A' + n%26))
	if n >= 26 {
		sign += strconv.Itoa(n/26 + 1)
	}
	return sign
}

func onCharts(changes []records.UnitChange, zone *time.Location) (out []charts.UnitChange) {
	for n, c := range changes {
		if at, _, ok := day(c.Day, zone); ok {
			out = append(out, charts.UnitChange{Sign: signOf(n), From: at, Anew: c.Anew})
		}
	}
	return out
}

// starts are when phases begin.
func starts(changes []charts.UnitChange) (out []time.Time) {
	for _, c := range changes {
		if c.Anew {
			out = append(out, c.From)
		}
	}
	return out
}

// changesOf are the changes of the unit as known then; now to the second, not to the minute of the page: whoever
// has just written one sees it.
func (s *service) changesOf(ctx context.Context, q overTimeAsked) ([]records.UnitChange, error) {
	at := q.when.At
	if q.when.Live {
		at = s.Clock()
	}
	return s.Changes.UnitChanges(ctx, q.unit, at)
}

func (s *service) changesView(q overTimeAsked) []changeView {
	t := s.Times(q.when.At, q.when.Live)
	var out []changeView
	for n, one := range q.changes {
		at, _, _ := day(one.Day, s.Zone)
		out = append(out, changeView{
			Sign: signOf(n), Day: t.Day(at), What: one.What, Anew: one.Anew, Number: one.Number,
			By: text.Say("overtime.change-by", one.Who, t.Day(one.At)),
		})
	}
	return out
}

// change keeps what was changed on a unit, or takes it back.
func (s *service) change(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	unit, now := c.Param("unit"), s.Clock()
	back := frame.OverTimeURL(unit) + "#changes"
	there, err := s.Changes.UnitChanges(c.Request.Context(), unit, now)
	if err != nil {
		return nil, err
	}
	one := records.UnitChange{
		Unit: unit, Day: form.Get("day"), What: strings.Join(strings.Fields(form.Get("what")), " "), Anew: form.Get("anew") == "yes",
		Who: frame.AccountOf(c).Name, At: now,
	}
	e := records.AuditEntry{Did: audit.Change, Unit: unit, Outcome: frame.Allowed}
	if number, err := strconv.ParseInt(form.Get("ends"), 10, 64); err == nil {
		if !slices.ContainsFunc(there, func(o records.UnitChange) bool { return o.Number == number }) {
			return frame.SeeOther(back) // the button was pressed twice
		}
		one.Number, e.Note = number, fmt.Sprintf("change %d of the unit taken back", number)
		if err := s.Noted(c, e); err != nil {
			return nil, err
		}
		if err := s.Changes.EndUnitChange(c.Request.Context(), one); err != nil {
			return nil, err
		}
		return frame.SeeOther(back)
	}
	if wrong := wrongChange(one, now, s.Zone); wrong != "" {
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("overtime.change-wrong"), wrong)
	}
	if slices.ContainsFunc(there, func(o records.UnitChange) bool { return o.Day == one.Day && o.What == one.What }) {
		return frame.SeeOther(back)
	}
	e.Note = "change of the unit written"
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	if err := s.Changes.AddUnitChange(c.Request.Context(), one); err != nil {
		return nil, err
	}
	return frame.SeeOther(back)
}

// wrongChange says what is wrong with a change, with what was typed; "" for nothing.
func wrongChange(c records.UnitChange, now time.Time, zone *time.Location) string {
	at, given, ok := day(c.Day, zone)
	switch n := utf8.RuneCountInString(c.What); {
	case !ok || !given:
		return text.Say("overtime.change-day", c.Day)
	case at.After(now):
		return text.Say("overtime.change-ahead", c.Day)
	case n == 0:
		return text.Say("overtime.change-empty")
	case n > mostWords:
		return text.Say("overtime.change-long", n, mostWords, c.What)
	case strings.ContainsFunc(c.What, func(r rune) bool { return !unicode.IsPrint(r) }):
		return text.Say("overtime.change-unseen")
	}
	return ""
}
