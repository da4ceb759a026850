package fhirfeed

import (
	"bytes"
	"cmp"
	"fmt"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// work is the reading of one file: the site, and where the parts go.
type work struct {
	Settings
	o       feed.Options
	sink    feed.Sink
	name    string             // of the file
	aliases map[string]bool    // names of patients that readings gave
	seen    []records.SeenCode // of the resource being read: what nothing tells
}

// saw notes a code that nothing tells.
func (w *work) saw(kind records.SeenKind, system, code, text string) {
	if code = strings.TrimSpace(code); code != "" {
		w.seen = append(w.seen, records.SeenCode{
			Feed: Feed, Kind: kind, System: strings.TrimSpace(system), Code: code, Text: strings.TrimSpace(text),
		})
	}
}

// sawConcept notes the codes of a concept that nothing tells, but those of LOINC: what is none of
// ours there is known, and of no use.
func (w *work) sawConcept(kind records.SeenKind, c *concept) {
	if c == nil {
		return
	}
	for _, k := range c.Coding {
		e, mapped := w.Codes.Find(k.System, k.Code)
		if mapped = mapped && (kind != records.SeenPosition || e.Kind == codes.Ignore); !mapped && !k.of(loincSystems) {
			w.saw(kind, k.System, k.Code, cmp.Or(k.Display, c.Text))
		}
	}
}

// tellSeen hands on the codes noted.
func (w *work) tellSeen(it item) error {
	if len(w.seen) == 0 {
		return nil
	}
	kept := records.Held{Feed: Feed, File: w.name, Line: it.line, Original: it.raw, Context: []byte(it.fullURL)}
	if err := feed.KeepUntold(w.sink, kept, w.seen); err != nil {
		return err
	}
	for _, c := range w.seen {
		if err := w.sink.Seen(c); err != nil {
			return err
		}
	}
	w.seen = w.seen[:0]
	return nil
}

// said is what one version of a resource says of a fact, as far as it tells alone.
type said struct {
	Kind    clinical.Kind   `json:",omitempty"`
	Status  clinical.Status `json:",omitempty"`
	Stated  bool            `json:",omitempty"` // it says when it was recorded
	Ours    string          `json:",omitempty"` // the source_id of the fact taken here that it is an echo of
	None    bool            `json:",omitempty"` // it is no fact, or none any more
	Visit   pointer         `json:",omitzero"`
	Patient pointer         `json:",omitzero"`

	feed.Bodies
	Drug       *drugSaid `json:",omitempty"` // of an order or a dose, where the resource names it itself
	Medication pointer   `json:",omitzero"`  // where another resource does
	Prescribed pointer   `json:",omitzero"`  // the order of a dose
	By         pointer   `json:",omitzero"`  // who clears
}

// fact is what one resource says, on its way to the sink.
type fact struct {
	head   head
	kind   clinical.Kind
	source string
	status clinical.Status

	recorded time.Time
	stated   bool

	visit, patient pointer
	said           said
	part           *part // of a reading
	skipped        bool  // understood, and of no use here
	nothing        bool  // no fact, or none any more: one that it was is removed
	later          bool  // it may be a later version of a resource that was of use
	reason         string
	ours           string // the source_id of the fact taken here that it is an echo of

	id     string          // of a resource that others look at
	body   any             // likewise
	topics []records.Topic // likewise
}

func (f fact) wrong(format string, args ...any) fact {
	f.reason = fmt.Sprintf(format, args...)
	return f
}

func (f fact) none() fact { f.nothing = true; return f }
func (f fact) skip() fact { f.skipped = true; return f }
func (f fact) done() bool { return f.reason != "" || f.skipped }

// put makes body what the fact says.
func (f fact) put(body clinical.Body) fact {
	if !f.stated {
		f.recorded = body.OwnTime()
	}
	f.said.Bodies = feed.BodiesOf(body)
	return f
}

// retract takes the fact back.
func (f fact) retract() fact {
	if f.recorded.IsZero() && !f.stated {
		return f.wrong("meta.lastUpdated is missing: a resource entered in error needs a time")
	}
	f.status = clinical.EnteredInError
	return f
}

// longestName is the longest identity in bytes, so that a database can index it.
const longestName = 500

// begin is a fact of a resource, with its identity and when it was recorded: at the last
// update, else at the other moment that the resource says; else own time holds.
func (w *work) begin(h head, kind clinical.Kind, status clinical.Status, otherwise string) fact {
	f := fact{head: h, kind: kind, source: h.key(), status: status}
	switch {
	case f.source == "":
		return f.wrong("it has neither an id nor an identifier")
	case len(f.source) > longestName:
		f.source = ""
		return f.wrong("its id is longer than %d bytes", longestName)
	}
	m, err := readMoment(h.lastUpdated(), w.o.Zone)
	if err != nil {
		return f.wrong("meta.lastUpdated %v", err)
	}
	if !m.said {
		if m, err = readMoment(otherwise, w.o.Zone); err != nil {
			m = moment{} // it may be of any precision, and is said of nothing else
		}
	}
	f.recorded, f.stated = m.at, m.said
	f.ours, _ = w.ours(h)
	return f
}

// recordedBy lets something of the day on which it was recorded be recorded when it happened.
func (f *fact) recordedBy(own time.Time, dayAlone string) {
	if _, isDay := feed.ParseDate(strings.TrimSpace(dayAlone)); isDay && f.head.lastUpdated() == "" &&
		own.After(f.recorded) && own.Before(f.recorded.Add(25*time.Hour)) {
		f.recorded = own
	}
}

// own says whose the fact is: of the visit that it names, else of the patient.
func (w *work) own(f fact, visit, subject reference) fact {
	var err error
	if f.visit, err = visitOf(visit, f.head); err != nil {
		return f.wrong("%v", err)
	}
	if f.patient, err = patientOf(subject, f.head); err != nil {
		return f.wrong("%v", err)
	}
	if f.visit.empty() && f.patient.empty() && f.status != clinical.EnteredInError {
		return f.wrong("it names neither a visit nor a patient")
	}
	return f
}

// patientOf is the reference to a patient. One within the resource gives the number at once.
func patientOf(r reference, h head) (pointer, error) {
	raw := contained(h.Contained, r.Reference)
	if raw == nil {
		return r.pointer("Patient", "MR"), nil
	}
	var p patient
	err := decode(raw, &p)
	return pointer{Number: p.id()}, err
}

// visitOf is the reference to a visit. Of one within the resource nothing but its number is
// known elsewhere.
func visitOf(r reference, h head) (pointer, error) {
	raw := contained(h.Contained, r.Reference)
	if raw == nil {
		return r.pointer("Encounter", "VN"), nil
	}
	var e encounter
	err := decode(raw, &e)
	return pointer{Number: identified(e.Identifier, "VN")}, err
}

// hand hands on what a resource says, once.
func (w *work) hand(it item, f fact) error {
	if err := w.tellSeen(it); err != nil {
		return err
	}
	switch {
	case f.reason != "":
		if err := w.sink.Hold(w.held(it, f)); err != nil || !f.nothing {
			return err
		}
		return w.sink.Beside(w.asPart(it, f)) // what it was before is not known to hold any more
	case f.skipped && !f.later, f.nothing && f.recorded.IsZero() && !f.stated && f.part == nil:
		return w.sink.Skip(Feed, f.kind)
	case f.skipped:
		f = w.begin(f.head, "", clinical.Final, "").none()
		if f.reason != "" || f.recorded.IsZero() {
			return w.sink.Skip(Feed, "")
		}
	}
	if f.part == nil && f.body == nil && !f.nothing && f.status != clinical.EnteredInError {
		v := clinical.Version{RecordedAt: f.recorded, Body: f.said.Body()}
		if why := feed.Ahead(v, w.o.Now); why != "" {
			return w.sink.Hold(w.held(it, f.wrong("%s", why)))
		}
	}
	if err := w.alias(it, f); err != nil {
		return err
	}
	return w.sink.Part(w.asPart(it, f))
}

func (w *work) held(it item, f fact) records.Held {
	if f.nothing {
		f.reason += feed.ClearsNobody
	}
	return records.Held{
		Feed: Feed, File: w.name, Line: it.line, Kind: f.kind, SourceID: f.source, Status: f.status,
		Reason: f.reason, Original: bytes.Clone(it.raw), Context: []byte(it.fullURL),
	}
}

// asPart is the part that the store keeps of the resource.
func (w *work) asPart(it item, f fact) records.Part {
	p := records.Part{Feed: Feed, ID: f.source, RecordedAt: f.recorded, File: w.name, Line: it.line, Kind: f.kind}
	switch {
	case f.body != nil:
		p.ID, p.Topics, p.Body = f.id, f.topics, encode(f.body)
	case f.part != nil && (f.ours != "" || !f.part.Taken.IsZero()):
		f.part.Ours = f.ours
		f.part.Status, f.part.Stated, f.part.Visit, f.part.Patient = f.status, f.stated, f.visit, f.patient
		p.Topics, p.Body = f.part.topics(), encode(f.part)
	default:
		s := f.said
		s.Ours = f.ours
		f.nothing = f.nothing || f.part != nil
		s.Kind, s.Status, s.Stated, s.None, s.Visit, s.Patient = f.kind, f.status, f.stated, f.nothing, f.visit, f.patient
		p.Topics, p.Body = []records.Topic{{Name: factTopic(f.source)}}, encode(s)
		if f.kind == clinical.KindOrder { // doses may name it by the address of its entry
			p.Topics = append(p.Topics, isTopics(names(f.head, it.fullURL)[1:], f.source)...)
		}
	}
	return p
}

// alias notes once a file by which name readings name their patient: those of the patient
// under other names are looked for only where there are some.
func (w *work) alias(it item, f fact) error {
	name := f.patient.main()
	if f.part == nil || f.patient.empty() || w.aliases[name] {
		return nil
	}
	w.aliases[name] = true
	topic := aliasTopic(name)
	return w.sink.Beside(records.Part{
		Feed: Feed, ID: topic, File: w.name, Line: it.line, Topics: []records.Topic{{Name: topic, Says: "used"}}, Body: []byte("{}"),
	})
}

// changed reports whether a server says that the resource has been changed.
func (h head) changed() bool {
	return h.Meta != nil && h.Meta.VersionID != "" && h.Meta.VersionID != "1"
}

// kindOfType is the kind of fact that a type of resource makes, where it makes one alone.
var kindOfType = map[string]clinical.Kind{
	"Encounter": clinical.KindStay, "MedicationRequest": clinical.KindOrder, "MedicationAdministration": clinical.KindDose,
	"AdverseEvent": clinical.KindFall, "Procedure": clinical.KindClearance,
}
