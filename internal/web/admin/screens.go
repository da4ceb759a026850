package admin

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// screensView is the administrator's list of displays on walls, with the form for a new one.
type screensView struct {
	frame.Layout
	Screens []screenLine
	Form    screenForm
	Made    *madeScreen
	Ended   string // the name of one that was just ended
}

type screenLine struct {
	Name, Unit, MadeBy, MadeAt, Used, State string
	End                                     string // the address that ends it; "" where it has ended
}

// madeScreen is a screen that was just made, with the code that is shown this once.
type madeScreen struct{ Name, Code, Until string }

type screenForm struct{ Name, Unit, Known, Error string }

func (s *service) screensPage(c *frame.Request) (frame.Page, error) {
	return s.showScreens(c, http.StatusOK, screensView{})
}

func (s *service) showScreens(c *frame.Request, status int, v screensView) (frame.Page, error) {
	if s.Screens == nil {
		return frame.NotFound()
	}
	all, err := s.Screens.List(c.Request.Context())
	if err != nil {
		return nil, err
	}
	v.Layout, v.Form.Known = s.Layout(c, text.Say("screens.heading")).At("/screens"), s.knownUnits(c)
	for _, one := range all {
		v.Screens = append(v.Screens, s.screenLine(one))
	}
	return frame.Show(status, "screens", v)
}

func (s *service) screenLine(one records.EnrolledScreen) screenLine {
	l := screenLine{
		Name: one.Name, Unit: one.Unit, MadeBy: one.MadeBy, MadeAt: s.minutes(one.MadeAt), Used: text.Say("tokens.never"),
		End: "/screens/" + strconv.FormatInt(one.ID, 10) + "/end",
	}
	if !one.UsedAt.IsZero() {
		l.Used = s.minutes(one.UsedAt)
	}
	switch {
	case !one.RevokedAt.IsZero():
		l.State, l.End = text.Say("screens.was-ended", s.minutes(one.RevokedAt)), ""
	case one.Holds():
		l.State = text.Say("screens.holds", s.minutes(one.EnrolledAt))
	case one.CodeUntil.After(s.Clock()):
		l.State = text.Say("screens.waits", s.minutes(one.CodeUntil))
	default:
		l.State = text.Say("screens.late")
	}
	return l
}

// addScreen makes a screen and shows its code this once.
func (s *service) addScreen(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	if s.Screens == nil {
		return frame.NotFound()
	}
	ctx := c.Request.Context()
	typed := screenForm{Name: strings.TrimSpace(form.Get("name")), Unit: strings.TrimSpace(form.Get("unit"))}
	units, err := s.Finder.Units(ctx)
	if err != nil {
		return nil, err
	}
	if !slices.Contains(units, typed.Unit) { // the display would show that there is nothing
		typed.Error = text.Say("screens.no-unit", typed.Unit)
		return s.showScreens(c, http.StatusUnprocessableEntity, screensView{Form: typed})
	}
	var code string
	var made records.EnrolledScreen
	if err = s.Screens.Check(ctx, typed.Name); err == nil {
		e := records.AuditEntry{Did: audit.Manage, Unit: typed.Unit, Outcome: frame.Allowed}
		e.Note = "made display " + typed.Name
		if err := s.Noted(c, e); err != nil {
			return nil, err
		}
		code, made, err = s.Screens.Make(ctx, typed.Name, typed.Unit, frame.AccountOf(c).Name)
	}
	switch clinical.CodeOf(err) {
	case "":
		return s.showScreens(c, http.StatusOK, screensView{Made: &madeScreen{made.Name, code, s.minutes(made.CodeUntil)}})
	case clinical.Invalid, clinical.Conflict:
		typed.Error = frame.Sentence(err)
		return s.showScreens(c, http.StatusUnprocessableEntity, screensView{Form: typed})
	}
	return nil, err
}

// endScreen ends a screen at once: it shows nothing from its next minute on.
func (s *service) endScreen(c *frame.Request) (frame.Page, error) {
	id, err := strconv.ParseInt(c.Param("screen"), 10, 64)
	if err != nil || s.Screens == nil {
		return frame.NotFound()
	}
	one, err := s.Screens.ByID(c.Request.Context(), id)
	if err != nil {
		return nil, err
	}
	e := records.AuditEntry{Did: audit.Manage, Unit: one.Unit, Outcome: frame.Allowed, Note: "ended display " + one.Name}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	if err := s.Screens.Revoke(c.Request.Context(), id); err != nil {
		return nil, err
	}
	return s.showScreens(c, http.StatusOK, screensView{Ended: one.Name})
}
