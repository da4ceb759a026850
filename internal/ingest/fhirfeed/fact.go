package fhirfeed

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// work is the reading of one file: the site, what was gathered, and where facts go.
type work struct {
	Settings
	finder
	o    feed.Options
	sink feed.Sink // nil while gathering
	name string    // of the file

	crowded map[string]bool // moments with more measurements than can be joined
	joined  map[string]*emissions
}

// storeError is an error of the store, which ends the reading.
type storeError struct{ error }

// fact is what one resource says.
type fact struct {
	head   head
	kind   clinical.Kind
	source string
	status clinical.Status

	recorded time.Time
	stated   bool

	stay, patient string // whose it is; the patient alone where no visit is named

	versions []clinical.Version // the row's own first; the rest stand beside it
	part     *part              // of a reading
	skipped  bool               // understood, and of no use here
	nothing  bool               // of a code that is of use, and yet no fact: one that it was is removed
	reason   string             // why it is held
	err      error              // of the store
}

func (f fact) wrong(format string, args ...any) fact {
	f.reason = fmt.Sprintf(format, args...)
	return f
}

// failed is wrong for an error: the store's is kept apart.
func (f fact) failed(err error) fact {
	var store storeError
	if errors.As(err, &store) {
		f.err = store.error
		return f
	}
	return f.wrong("%v", err)
}

func (f fact) none() fact { f.nothing = true; return f }
func (f fact) skip() fact { f.skipped = true; return f }

// version is a version of the fact that says body.
func (f fact) version(body clinical.Body) clinical.Version {
	return clinical.Version{
		Kind: f.kind, SourceID: f.source, StayID: f.stay, PatientID: f.patient, Status: f.status,
		RecordedAt: f.recorded, Stated: f.stated, Body: body,
	}
}

// put makes body the fact's version.
func (f fact) put(body clinical.Body) fact {
	v := f.version(body)
	if !v.Stated {
		v.RecordedAt = body.OwnTime()
	}
	f.recorded = v.RecordedAt
	f.versions = []clinical.Version{v}
	return f
}

// retract takes the fact back.
func (f fact) retract() fact {
	if f.recorded.IsZero() && !f.stated {
		return f.wrong("meta.lastUpdated is missing: a resource entered in error needs a time")
	}
	f.status = clinical.EnteredInError
	f.versions = []clinical.Version{f.version(nil)}
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
	return f
}

// recordedBy lets something of the day on which it was recorded be recorded when it happened.
func (f *fact) recordedBy(own time.Time, dayAlone string) {
	if _, isDay := feed.ParseDate(strings.TrimSpace(dayAlone)); isDay && f.head.lastUpdated() == "" &&
		own.After(f.recorded) && own.Before(f.recorded.Add(25*time.Hour)) {
		f.recorded = own
	}
}

// whose finds the stay that a resource is of, or its patient where it names no visit. known
// is false where its visit is known and is no stay: the fact is then of no use here.
func (w *work) whose(visit, subject reference, f *fact) (known bool, err error) {
	if !visit.empty() {
		card, ok, err := w.last(visit.keys("Encounter"))
		if err != nil {
			return false, storeError{err}
		}
		if ok {
			var e encounter
			if err := decode(card.Body, &e); err != nil {
				return false, err
			}
			if !e.isStay(w.Settings) && e.Status != string(clinical.EnteredInError) {
				return false, nil
			}
			f.stay = e.stayID()
			return true, nil
		}
		if visit.Identifier != nil && visit.Identifier.Type.has("VN") {
			f.stay = strings.TrimSpace(visit.Identifier.Value)
			return true, nil
		}
		if f.stay = visit.id(); f.stay != "" {
			return true, nil // it waits
		}
	}
	_, f.patient, err = w.patientOf(subject, f.head.Contained)
	if err == nil && f.patient == "" {
		err = errors.New("it names neither a visit nor a patient that is known")
	}
	return true, err
}

// emit hands on what a resource says, and counts it once.
func (w *work) emit(it item, f fact) error {
	switch {
	case f.err != nil:
		return f.err
	case f.reason != "":
		if err := w.sink.Hold(w.held(it, f)); err != nil || !f.nothing {
			return err
		}
		gone, err := w.removals(f)
		return w.beside(it, gone, err)
	case f.skipped:
		return w.sink.Skip(Feed, f.kind)
	case f.nothing:
		gone, err := w.removals(f)
		if err != nil || len(gone) == 0 {
			return errors.Join(err, w.sink.Skip(Feed, f.kind))
		}
		if err := w.sink.Put(w.placed(it, gone[0])); err != nil {
			return err
		}
		return w.beside(it, gone[1:], nil)
	}
	if why := feed.Ahead(f.versions[0], w.o.Now); why != "" {
		return w.sink.Hold(w.held(it, f.wrong("%s", why)))
	}
	if err := w.sink.Put(w.placed(it, f.versions[0])); err != nil {
		return err
	}
	if err := w.beside(it, f.versions[1:], nil); err != nil {
		return err
	}
	changes, err := w.changes(f)
	return w.beside(it, changes, err)
}

func (w *work) held(it item, f fact) records.Held {
	return records.Held{
		Feed: Feed, File: w.name, Line: it.line, Kind: f.kind, SourceID: f.source, Status: f.status,
		Reason: f.reason, Original: it.raw, Context: []byte(it.fullURL),
	}
}

// placed is a version with where it stood.
func (w *work) placed(it item, v clinical.Version) clinical.Version {
	v.Feed, v.File, v.Line = Feed, w.name, it.line
	return v
}

func (w *work) beside(it item, versions []clinical.Version, err error) error {
	for _, v := range versions {
		if err == nil {
			err = w.sink.Beside(w.placed(it, v))
		}
	}
	return err
}

// kindsOf are the kinds of facts that a type of resource may make.
var kindsOf = map[string][]clinical.Kind{
	"Encounter": {clinical.KindStay},
	"Observation": {
		clinical.KindWeight, clinical.KindLab, clinical.KindFluid, clinical.KindClearance, clinical.KindAnswer,
	},
	"MedicationRequest":        {clinical.KindOrder},
	"MedicationAdministration": {clinical.KindDose},
	"Condition":                {clinical.KindCondition, clinical.KindFall},
	"AdverseEvent":             {clinical.KindFall},
	"Flag":                     {clinical.KindPrecaution, clinical.KindRestriction},
	"Procedure":                {clinical.KindClearance},
}

// removals take back, when the resource was recorded, the facts that an earlier version of it
// was.
func (w *work) removals(f fact) (out []clinical.Version, err error) {
	cards, err := w.all(madeKey(f.head.key()))
	if err != nil {
		return nil, err
	}
	if len(cards) > mostParts {
		cards = cards[len(cards)-mostParts:]
	}
	was := map[clinical.Kind]bool{}
	for _, c := range cards {
		if c.At.Before(f.recorded) && len(c.Body) > 0 {
			was[clinical.Kind(c.Body)] = true
		}
	}
	for _, kind := range kindsOf[f.head.ResourceType] {
		if w.o.Known != nil && !was[kind] {
			known, err := w.o.Known(kind, []string{f.source})
			if err != nil {
				return nil, err
			}
			was[kind] = known[f.source]
		}
		if was[kind] {
			out = append(out, w.gone(f, kind, f.recorded))
		}
	}
	return out, nil
}

func (w *work) gone(f fact, kind clinical.Kind, at time.Time) clinical.Version {
	return clinical.Version{
		Kind: kind, SourceID: f.source, StayID: f.stay, PatientID: f.patient, Status: clinical.EnteredInError,
		RecordedAt: at, Stated: true,
	}
}

// changes take back what a resource was while it was of another kind: its earlier kinds when
// it was recorded, and this one when a later version, which came before, is of another kind
// or none.
func (w *work) changes(f fact) (out []clinical.Version, err error) {
	cards, err := w.all(madeKey(f.head.key()))
	if err != nil || f.status == clinical.EnteredInError {
		return nil, err
	}
	if len(cards) > mostParts {
		cards = cards[len(cards)-mostParts:]
	}
	earlier := map[clinical.Kind]bool{}
	for _, c := range cards {
		kind := clinical.Kind(c.Body)
		switch {
		case kind == f.kind:
		case c.At.Before(f.recorded) && kind != "" && !earlier[kind]:
			earlier[kind] = true
			out = append(out, w.gone(f, kind, f.recorded))
		case c.At.After(f.recorded):
			return append(out, w.gone(f, f.kind, c.At)), nil
		}
	}
	return out, nil
}
