package admin

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/codebook"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// codesView is the administrator's page of drugs and codes that nothing tells, and of what was
// said of them.
type codesView struct {
	frame.Layout
	Said    string // what has just been done
	Error   string
	Unknown []unknownLine
	Newest  bool // those named last stand first, not those of most facts
	Seen    []seenLine
	Kinds   []string
	Typed   typedCode
	Told    []codeLine // of the feeds, with what was said of them
	Mapped  []codeLine // texts of drugs
	Past    []codeLine
}

// seenLine is a code of the feeds that nothing tells.
type seenLine struct {
	Feed, Kind, System, Code, Text, Newest, Link string
	Rows                                         int
}

// typedCode is what stands in the form.
type typedCode struct{ System, Code, Kind, Value, Reason, Words string }

type unknownLine struct {
	ID, Text, Newest string
	Facts, Stays     int
	ATC              string // as it was typed and refused
}

type codeLine struct{ System, Text, Means, Who, At string }

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
		if e.System == records.TextSystem {
			v.Mapped = append(v.Mapped, s.codeLine(e))
		} else {
			v.Told = append(v.Told, s.codeLine(e))
		}
	}
	if err := s.addSeen(c, &v); err != nil {
		return nil, err
	}
	for _, e := range all {
		v.Past = append(v.Past, s.codeLine(e))
	}
	return frame.Show(status, "codes", v)
}

// addSeen shows the codes that nothing tells, and the form that says what one means.
func (s *service) addSeen(c *frame.Request, v *codesView) error {
	seen, err := s.Codes.Seen(c.Request.Context())
	for _, o := range seen {
		system, code := o.System, o.Code
		if n := strings.LastIndexByte(system, ' '); o.Kind == records.SeenWord {
			system, code = strings.TrimSpace(system[:max(n, 0)]), system[n+1:] // the code that lacks the word
		}
		v.Seen = append(v.Seen, seenLine{
			Feed: o.Feed, Kind: seenKind(string(o.Kind)), System: o.System, Code: o.Code, Text: o.Text,
			Newest: s.minutes(o.Newest), Rows: o.Rows, Link: "/codes?" + url.Values{"system": {system}, "code": {code}}.Encode() + "#say",
		})
	}
	for _, k := range codes.Kinds {
		v.Kinds = append(v.Kinds, string(k))
	}
	if v.Typed == (typedCode{}) {
		v.Typed = typedCode{System: c.Query("system"), Code: c.Query("code")}
	}
	return err
}

func oldestFirst(list []records.Code) []records.Code {
	out := make([]records.Code, 0, len(list))
	for n := len(list) - 1; n >= 0; n-- {
		out = append(out, list[n])
	}
	return out
}

func (s *service) codeLine(e records.Code) codeLine {
	return codeLine{System: e.System, Text: e.Code, Means: codeMeans(e), Who: e.Who, At: s.minutes(e.At)}
}

func codeMeans(e records.Code) string {
	if e.System != records.TextSystem && e.Kind != records.CodeNothing {
		var words []string
		for _, from := range slices.Sorted(maps.Keys(e.Words)) {
			words = append(words, from+" = "+e.Words[from])
		}
		said := []string{string(e.Kind), e.Value, e.Reason, strings.Join(words, "; ")}
		return strings.Join(slices.DeleteFunc(said, func(s string) bool { return s == "" }), ", ")
	}
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
	var shown typedCode
	if form.Has("code") {
		shown = typedCode{form.Get("system"), form.Get("code"), form.Get("kind"), form.Get("value"), form.Get("reason"), form.Get("words")}
		typed.System, typed.Code, typed.Value, typed.Reason = shown.System, shown.Code, shown.Value, shown.Reason
		typed.Words, err = codebook.Words(shown.Words)
	}
	e := typed
	if err == nil {
		e, err = codebook.Check(typed)
	}
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
		return s.showCodes(c, http.StatusUnprocessableEntity, codesView{Error: frame.Sentence(err), Typed: shown}, typed)
	}
	return nil, err
}

// seenKind says of what a feed brought a code.
func seenKind(kind string) string {
	switch kind {
	case "class":
		return text.Say("codes.kind-class")
	case "condition":
		return text.Say("codes.kind-condition")
	case "drug":
		return text.Say("codes.kind-drug")
	case "event":
		return text.Say("codes.kind-event")
	case "flag":
		return text.Say("codes.kind-flag")
	case "limb":
		return text.Say("codes.kind-limb")
	case "observation":
		return text.Say("codes.kind-observation")
	case "place":
		return text.Say("codes.kind-place")
	case "position":
		return text.Say("codes.kind-position")
	case "procedure":
		return text.Say("codes.kind-procedure")
	case "unit":
		return text.Say("codes.kind-unit")
	case "word":
		return text.Say("codes.kind-word")
	}
	return kind
}
