package outbox

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/text"
)

// HL7 makes messages of HL7 v2.5.1.
type HL7 struct {
	Application, Facility string // MSH-3 and MSH-4
	ToApplication         string // MSH-5; may be empty
	ToFacility            string // MSH-6; may be empty
	Zone                  *time.Location
}

// ControlID is MSH-10 of an item: of the identities and versions of its facts alone, so the same at each
// attempt, and another for each version of each fact.
func ControlID(i Item) string {
	parts := []string{i.Installation, i.Thing, strconv.Itoa(i.Version)}
	for _, f := range i.Facts {
		parts = append(parts, f.SourceID, strconv.Itoa(f.Version))
	}
	sum := sha256.Sum256([]byte(strings.Join(parts, "\n")))
	return hex.EncodeToString(sum[:10])
}

// Message is the ORU^R01 of an item, with CR between its segments: an OBR for each fact.
func (h HL7) Message(i Item) []byte {
	m := segments{}
	m.add("MSH", "^~\\&", escape(h.Application), escape(h.Facility), escape(h.ToApplication), escape(h.ToFacility),
		h.time(i.RecordedAt), "", "ORU^R01^ORU_R01", ControlID(i), "P", "2.5.1", "", "", "", "", "", "UNICODE UTF-8")
	m.add("PID", "1", "", escape(i.PatientID)+"^^^^MR")
	visit := make([]string, 19)
	visit[0], visit[1], visit[18] = "1", "U", escape(i.StayID)+"^^^^VN" // table 0004: U, unknown
	m.add("PV1", visit...)
	for n, f := range i.Facts {
		h.fact(&m, i, f, n+1)
	}
	return []byte(strings.Join(m.list, "\r") + "\r")
}

// fact adds the OBR of a fact with its notes and values.
func (h HL7) fact(m *segments, i Item, f Fact, n int) {
	at := h.time(f.at(i.RecordedAt))
	obr := make([]string, 25)
	obr[0], obr[2], obr[6] = strconv.Itoa(n), escape(f.SourceID)+"^^"+i.Installation+"^UUID", at
	obr[3], obr[21], obr[24] = "85354-9^Blood pressure panel^LN", h.time(i.RecordedAt), strings.ReplaceAll(f.status(), "W", "X")
	if i.Code != nil {
		obr[3] = codeOf(*i.Code)
	}
	m.add("OBR", obr...)
	notes := append(f.notes(), limbNote(f.Vitals)...)
	if n == len(i.Facts) && i.Finding != "" && !f.Removed {
		notes = append(notes, text.Say("outward.finding", i.Finding))
	}
	if f.Removed {
		notes = []string{text.Say("outward.removed")}
	}
	for k, note := range notes {
		m.add("NTE", strconv.Itoa(k+1), "L", escape(note))
	}
	o := observations{segments: m, at: at, status: f.status(), who: escape(i.Who)}
	if i.Code != nil {
		h.coded(&o, i, f)
		return
	}
	h.reading(&o, f)
}

// status is OBX-11, and OBR-25, of a version.
func (f Fact) status() string {
	switch {
	case f.Removed:
		return "W"
	case f.Version > 1:
		return "C"
	}
	return "F"
}

// observations adds the OBX of one OBR.
type observations struct {
	*segments
	at, status, who string
	n               int
}

func (o *observations) add(kind, code, value, unit string) {
	o.n++
	o.segments.add("OBX", strconv.Itoa(o.n), kind, code, "", value, unit, "", "", "", "", o.status, "", "", o.at, "", o.who)
}

func (h HL7) reading(o *observations, f Fact) {
	v := f.Vitals
	if v == nil { // taken back, and nobody knows what it said
		o.add("NM", "8480-6^Systolic blood pressure^LN", "", "mm[Hg]^^UCUM")
		return
	}
	for _, figure := range []struct {
		code, unit string
		value      *float64
	}{
		{"8480-6^Systolic blood pressure^LN", "mm[Hg]^^UCUM", v.Systolic},
		{"8462-4^Diastolic blood pressure^LN", "mm[Hg]^^UCUM", v.Diastolic},
		{"8867-4^Heart rate^LN", "/min^^UCUM", v.HeartRate},
	} {
		if figure.value != nil {
			o.add("NM", figure.code, number(*figure.value), figure.unit)
		}
	}
	if code, display := positionCode(v.Position); code != "" {
		o.add("CWE", "8361-8^Body position with respect to gravity^LN", code+"^"+display+"^SCT", "")
	}
	for _, s := range f.Symptoms {
		o.add("ST", codeOf(s), escape(s.Says), "")
	}
}

// coded adds a restriction, a clearance or an answer: one OBX of the site's own code.
func (h HL7) coded(o *observations, i Item, f Fact) {
	reason := ""
	switch {
	case f.Clearance != nil:
		o.who = "^" + escape(f.Clearance.By)
	case f.Answer != nil:
		reason = f.Answer.Reason
	case f.Restriction != nil:
		reason = f.Restriction.Reason
	}
	o.add("ST", codeOf(*i.Code), escape(i.Code.Says), "")
	if reason != "" {
		o.segments.add("NTE", "1", "L", escape(reason))
	}
}

func codeOf(c Code) string { return escape(c.Code) + "^^" + escape(c.System) }

func (h HL7) time(t time.Time) string { return t.In(h.Zone).Format("20060102150405-0700") }

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// segments are those of a message.
type segments struct{ list []string }

// add adds a segment; empty fields at its end are left out.
func (s *segments) add(name string, fields ...string) {
	line := strings.TrimRight(name+"|"+strings.Join(fields, "|"), "|")
	s.list = append(s.list, line)
}

// escape writes a text so that none of it is read as a separator (HL7 v2.5.1, chapter 2.7).
func escape(s string) string {
	return strings.NewReplacer(
		`\`, `\E\`, "|", `\F\`, "^", `\S\`, "&", `\T\`, "~", `\R\`, "\r\n", `\.br\`, "\r", `\.br\`, "\n", `\.br\`,
	).Replace(strings.Map(printable, s))
}

// printable drops what MLLP would take for the end of a message.
func printable(r rune) rune {
	if r < ' ' && r != '\r' && r != '\n' && r != '\t' {
		return -1
	}
	return r
}

// acknowledged reads the answer to a message: AA or CA take it, AE and CE ask for another attempt, AR
// and CR refuse it. other is true of an answer to another message.
func acknowledged(answer []byte, control string) (r Result, other bool) {
	var code, id, why string
	for _, line := range strings.FieldsFunc(string(answer), func(r rune) bool { return r == '\r' || r == '\n' }) {
		fields := strings.Split(line, "|")
		field := func(n int) string {
			if n < len(fields) {
				return strings.TrimSpace(fields[n])
			}
			return ""
		}
		switch fields[0] {
		case "MSA":
			code, id, why = strings.ToUpper(field(1)), field(2), field(3)
		case "ERR":
			if said := field(8); said != "" {
				why = said
			}
		}
	}
	if id != control {
		return Result{Again, "the answer is to another message, or to none"}, code != ""
	}
	said := code
	if why != "" {
		said = fmt.Sprintf("%s: %s", code, short(why))
	}
	switch code {
	case "AA", "CA":
		return Result{Taken, said}, false
	case "AR", "CR":
		return Result{Refused, said}, false
	}
	return Result{Again, said}, false
}
