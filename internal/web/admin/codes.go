package admin

import (
	"net/http"
	"strconv"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/codebook"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// codesView is the administrator's page of drugs that nothing tells, and of what was said
// of them.
type codesView struct {
	frame.Layout
	Said    string // what has just been done
	Error   string
	Unknown []unknownLine
	Newest  bool // those named last stand first, not those of most facts
	Mapped  []codeLine
	Past    []codeLine
}

type unknownLine struct {
	ID, Text, Newest string
	Facts, Stays     int
	ATC              string // as it was typed and refused
}

type codeLine struct{ Text, Means, Who, At string }

func (s *service) codesPage(c *frame.Request) (frame.Page, error) {
	return s.showCodes(c, http.StatusOK, codesView{}, records.Code{})
}

func (s *service) showCodes(c *frame.Request, status int, v codesView, typed records.Code) (frame.Page, error) {
	if s.Codes == nil {
		return frame.NotFound()
	}
	ctx := c.Request.Context()
	unknown, err := s.Codes.Unknown(ctx)
	if err != nil {
		return nil, err
	}
	all, err := s.Codes.All(ctx)
	if err != nil {
		return nil, err
	}
	v.Layout, v.Newest = s.Layout(c, text.Say("codes.heading")).At("/codes"), c.Query("sort") == "newest"
	if v.Newest {
		codebook.ByNewest(unknown)
	}
	for n, d := range unknown {
		line := unknownLine{ID: strconv.Itoa(n), Text: d.Text, Newest: s.minutes(d.Newest), Facts: d.Facts, Stays: d.Stays}
		if clinical.SameDrugText(typed.Code, d.Text) {
			line.ATC = typed.Value
		}
		v.Unknown = append(v.Unknown, line)
	}
	for _, e := range codebook.Counting(oldestFirst(all)) {
		v.Mapped = append(v.Mapped, s.codeLine(e))
	}
	for _, e := range all {
		v.Past = append(v.Past, s.codeLine(e))
	}
	return frame.Show(status, "codes", v)
}

func oldestFirst(list []records.Code) []records.Code {
	out := make([]records.Code, 0, len(list))
	for n := len(list) - 1; n >= 0; n-- {
		out = append(out, list[n])
	}
	return out
}

func (s *service) codeLine(e records.Code) codeLine {
	return codeLine{Text: e.Code, Means: codeMeans(e), Who: e.Who, At: e.At.In(s.Zone).Format(time.DateTime)}
}

func codeMeans(e records.Code) string {
	switch e.Kind {
	case records.CodeDrug:
		return text.Say("codes.means-drug", e.Value)
	case records.CodeIgnore:
		return text.Say("codes.means-ignore")
	}
	return text.Say("codes.means-nothing")
}

// saveCode says what a text means, or takes that back. It is recorded before it counts.
func (s *service) saveCode(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	if s.Codes == nil {
		return frame.NotFound()
	}
	typed := records.Code{
		System: records.TextSystem, Code: form.Get("text"), Kind: records.CodeKind(form.Get("kind")), Value: form.Get("atc"),
		Who: frame.AccountOf(c).Name,
	}
	e, err := codebook.Check(typed)
	if err == nil {
		note := cutNote(codeMeans(e) + ": " + e.Code)
		if err := s.Noted(c, records.AuditEntry{Did: audit.Manage, Outcome: frame.Allowed, Note: note}); err != nil {
			return nil, err
		}
		_, err = s.Codes.Save(c.Request.Context(), e)
	}
	switch clinical.CodeOf(err) {
	case "":
		return s.showCodes(c, http.StatusOK, codesView{Said: text.Say("codes.saved", codeMeans(e))}, records.Code{})
	case clinical.Invalid:
		return s.showCodes(c, http.StatusUnprocessableEntity, codesView{Error: frame.Sentence(err)}, typed)
	}
	return nil, err
}
