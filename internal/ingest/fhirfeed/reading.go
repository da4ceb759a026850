package fhirfeed

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// A reading may come in parts: a panel, or its pressures and pulse one by one. What shares
// patient and moment is one reading; its identity is that of the panel, else of the systolic,
// else the diastolic, else the pulse. So what a reading says is worked out anew from all its
// parts, in all their versions, whenever one of them comes.

// Ranks of parts: the lowest gives the reading its identity.
const (
	rankPanel = iota
	rankSystolic
	rankDiastolic
	rankPulse
	rankBeside // symptoms and the like, which make no reading
)

// part is one version of a part of a reading. Pressures are mmHg, pulse is beats/min.
type part struct {
	Source    string          `json:"source"`
	Rank      int             `json:"rank"`
	Gone      bool            `json:"gone,omitempty"` // entered in error, or cancelled
	Status    clinical.Status `json:"status,omitempty"`
	Stated    bool            `json:"stated,omitempty"`
	Subject   reference       `json:"subject"`
	Encounter reference       `json:"encounter"`

	Timed     bool              `json:"timed,omitempty"` // Taken is known
	Taken     time.Time         `json:"taken,omitzero"`
	Systolic  *float64          `json:"systolic,omitempty"`
	Diastolic *float64          `json:"diastolic,omitempty"`
	Pulse     *float64          `json:"pulse,omitempty"`
	KPa       bool              `json:"kpa,omitempty"`
	Position  clinical.Position `json:"position,omitempty"`
	Limb      string            `json:"limb,omitempty"`
	Absent    string            `json:"absent,omitempty"` // why there is no value, as an answer
	Note      string            `json:"note,omitempty"`

	Symptoms []string `json:"symptoms,omitempty"`
	Minutes  *float64 `json:"minutes,omitempty"`
	Stopped  bool     `json:"stopped,omitempty"`
}

func (p part) patient() string { return p.Subject.main("Patient") }

func micros(t int64) string { return strconv.FormatInt(t, 10) }

// group is what parts of one reading share.
func (p part) group() string {
	if !p.Timed {
		return ""
	}
	return "at " + micros(p.Taken.UnixMicro()) + " " + p.patient()
}

// quarterHours tells by which quarters of an hour what was standing is found.
const quarterHour = int64(15 * time.Minute / time.Microsecond)

func standingGroup(patient string, quarter int64) string {
	return "standing " + micros(quarter) + " " + patient
}

func (p part) quarter() int64 {
	return int64(math.Floor(float64(p.Taken.UnixMicro()) / float64(quarterHour)))
}

// cards are the cards of a part.
func (p part) cards() []records.Card {
	out := []records.Card{{Key: partKey(p.Source), Group: p.group()}}
	if p.Timed && p.Position == clinical.Standing {
		out = append(out, records.Card{Key: "standing " + p.Source, Group: standingGroup(p.patient(), p.quarter())})
	}
	return out
}

func (p part) valued() bool {
	return p.Systolic != nil || p.Diastolic != nil || p.Pulse != nil || len(p.Symptoms) > 0 || p.Stopped || p.Minutes != nil
}

// partVersion is a part as one version of its resource has it.
type partVersion struct {
	part
	at   time.Time
	file string
	line int
}

func versionOfCard(c records.Card) (v partVersion, err error) {
	v = partVersion{at: c.At, file: c.File, line: c.Line}
	return v, json.Unmarshal(c.Body, &v.part)
}

// emission is a version of a reading or an answer, and the part whose coming made it.
type emission struct {
	version clinical.Version
	source  string // of that part
}

// emissions are all versions that come of one moment of a patient.
type emissions struct {
	list   []emission
	reason string // why none can be made
	noStay bool   // its visit is known and is no stay
}

// mostParts is how many versions of measurements of one patient at one moment are joined.
const mostParts = 200

// emitPart hands on what the parts of a moment say, of which the item is one.
func (w *work) emitPart(it item, f fact) error {
	groups, err := w.groupsOf(f)
	if err != nil {
		return err
	}
	var own, rest []clinical.Version
	reason, skipped := "", false
	for _, g := range groups {
		e, err := w.evaluate(g)
		if err != nil {
			return err
		}
		reason, skipped = cmp.Or(reason, e.reason), skipped || e.noStay
		for _, m := range e.list {
			if m.source == f.source && m.version.RecordedAt.Equal(f.recorded) && len(own) == 0 {
				own = append(own, m.version)
			} else {
				rest = append(rest, m.version)
			}
		}
	}
	if reason != "" {
		return w.sink.Hold(w.held(it, f.wrong("%s", reason)))
	}
	if len(own) == 0 && f.part.Gone && f.status == clinical.EnteredInError && !skipped {
		known, err := w.known(clinical.KindVitals, f.source)
		if err != nil {
			return err
		}
		if known || len(groups) == 0 {
			own = append(own, w.gone(f, clinical.KindVitals, f.recorded))
		}
	}
	if len(own) == 0 {
		err = w.sink.Skip(Feed, clinical.KindVitals)
	} else {
		err = w.sink.Put(w.placed(it, own[0]))
	}
	for _, v := range rest {
		if err == nil {
			err = w.sink.Beside(v)
		}
	}
	return err
}

func (w *work) known(kind clinical.Kind, source string) (bool, error) {
	if w.o.Known == nil {
		return false, nil
	}
	known, err := w.o.Known(kind, []string{source})
	return known[source], err
}

// groupsOf are the moments that a part bears on: its own, those of its other versions, and
// those of what was not done in the quarter of an hour after it.
func (w *work) groupsOf(f fact) (groups []string, err error) {
	add := func(g string) {
		if g != "" && !slices.Contains(groups, g) {
			groups = append(groups, g)
		}
	}
	add(f.part.group())
	cards, err := w.all(partKey(f.source))
	if err != nil || len(cards) > mostParts {
		return groups, err // the moment is too crowded to be joined
	}
	for _, c := range cards {
		add(c.Group)
	}
	if f.part.Timed && f.part.Position == clinical.Standing && f.part.valued() {
		near, err := w.standing(f.part, 0, 1)
		if err != nil {
			return nil, err
		}
		for _, n := range near {
			if since := n.Taken.Sub(f.part.Taken); !n.valued() && since >= 0 && since < standingBefore {
				add(n.group())
			}
		}
	}
	return groups, nil
}

// standing are the parts, as they stand last, of what was standing in quarters of an hour
// around a part.
func (w *work) standing(p *part, quarters ...int64) (out []partVersion, err error) {
	var groups []string
	for _, q := range quarters {
		groups = append(groups, standingGroup(p.patient(), p.quarter()+q))
	}
	cards, err := w.together(groups...)
	if err != nil || len(cards) > 10*mostParts {
		return nil, err
	}
	last := map[string]records.Card{}
	for _, c := range cards {
		last[c.Key] = c
	}
	for _, c := range cards {
		if last[c.Key].At.Equal(c.At) {
			v, err := versionOfCard(c)
			if err != nil {
				return nil, err
			}
			now, err := w.all(partKey(v.Source))
			if err != nil {
				return nil, err
			}
			if len(now) > 0 && now[len(now)-1].At.Equal(c.At) {
				out = append(out, v)
			}
		}
	}
	return out, nil
}

// evaluate works out all versions of what was measured at one moment of a patient.
func (w *work) evaluate(group string) (*emissions, error) {
	if e := w.joined[group]; e != nil {
		return e, nil
	}
	e := &emissions{}
	w.joined[group] = e
	if w.crowded[group] {
		e.reason = crowdedReason
		return e, nil
	}
	byKey, times, err := w.partsOf(group)
	switch {
	case err != nil:
		return nil, err
	case byKey == nil:
		w.crowded[group] = true
		e.reason = crowdedReason
		return e, nil
	}
	return e, w.unfold(group, byKey, times, e)
}

var crowdedReason = fmt.Sprintf("more than %d measurements of one patient at one moment", mostParts)

// partsOf are the versions of the parts of a moment, by identity, and the moments at which one
// of them was recorded. The map is nil where there are too many.
func (w *work) partsOf(group string) (map[string][]partVersion, []time.Time, error) {
	cards, err := w.together(group)
	if err != nil || len(cards) > mostParts {
		return nil, nil, err
	}
	byKey := map[string][]partVersion{}
	var times []time.Time
	for _, c := range cards {
		if byKey[c.Key] != nil {
			continue
		}
		all, err := w.all(c.Key)
		if err != nil || len(all) > mostParts {
			return nil, nil, err
		}
		for _, one := range all {
			v, err := versionOfCard(one)
			if err != nil {
				return nil, nil, err
			}
			byKey[c.Key] = append(byKey[c.Key], v)
			times = append(times, v.at)
		}
	}
	slices.SortFunc(times, time.Time.Compare)
	return byKey, slices.CompactFunc(times, time.Time.Equal), nil
}

// fullReading is a reading or an answer with the parts that it was made of.
type fullReading struct {
	parts  []partVersion
	merged part
}

// unfold goes through the moments at which a part was recorded, and says of each what was
// known then.
func (w *work) unfold(group string, byKey map[string][]partVersion, times []time.Time, e *emissions) error {
	type identity struct {
		kind   clinical.Kind
		source string
	}
	before := map[identity]int{} // and of how many parts it was made
	var steps []step
	for _, t := range times {
		var live []partVersion
		var came, last partVersion // what was recorded at t, of the lowest rank; in the last file
		for _, key := range slices.Sorted(mapsKeys(byKey)) {
			k := -1
			for n, v := range byKey[key] {
				if !v.at.After(t) {
					k = n
				}
			}
			if k < 0 {
				continue
			}
			v := byKey[key][k]
			if v.at.Equal(t) && (came.Source == "" || v.Rank < came.Rank) {
				came = v
			}
			if v.at.Equal(t) && (last.Source == "" || v.file > last.file) {
				last = v
			}
			if !v.Gone && v.group() == group {
				live = append(live, v)
			}
		}
		now := map[identity]int{}
		for _, r := range join(live) {
			v, keep, err := w.readingVersion(r, t, e)
			if err != nil {
				return err
			}
			if !keep {
				continue
			}
			id := identity{v.Kind, v.SourceID}
			now[id] = len(r.parts)
			own := slices.IndexFunc(r.parts, func(p partVersion) bool { return p.at.Equal(t) })
			if own < 0 && before[id] == len(r.parts) {
				continue // nothing of it changed
			}
			by := came
			if own >= 0 {
				by = r.parts[own]
			}
			e.add(v, t, by)
		}
		for id := range before {
			if _, still := now[id]; !still {
				e.add(clinical.Version{Kind: id.kind, SourceID: id.source, Status: clinical.EnteredInError}, t, came)
			}
		}
		before = now
		owners := map[string]bool{}
		for id := range now {
			owners[id.source] = true
		}
		steps = append(steps, step{t, last, owners})
	}
	return w.formerReadings(byKey, steps, e)
}

// step is a moment at which parts were recorded: whose identities readings had then, and the
// part whose file is last, so that what takes a reading back comes after it.
type step struct {
	at     time.Time
	last   partVersion
	owners map[string]bool
}

// formerReadings take back, at each of these moments, the parts that made a reading of their
// own before the others came, in an earlier load.
func (w *work) formerReadings(byKey map[string][]partVersion, steps []step, e *emissions) error {
	var sources []string
	for _, versions := range byKey {
		sources = append(sources, versions[0].Source)
	}
	if len(sources) < 2 || w.o.Known == nil {
		return nil
	}
	known, err := w.o.Known(clinical.KindVitals, sources)
	for _, versions := range byKey {
		source := versions[0].Source
		for _, s := range steps {
			if known[source] && !s.owners[source] && !versions[0].at.After(s.at) && !e.has(source, s.at) {
				e.add(clinical.Version{Kind: clinical.KindVitals, SourceID: source, Status: clinical.EnteredInError}, s.at, s.last)
			}
		}
	}
	return err
}

func (e *emissions) has(source string, at time.Time) bool {
	return slices.ContainsFunc(e.list, func(m emission) bool {
		return m.version.SourceID == source && m.version.Kind == clinical.KindVitals && m.version.RecordedAt.Equal(at)
	})
}

func mapsKeys(m map[string][]partVersion) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

func (e *emissions) add(v clinical.Version, t time.Time, by partVersion) {
	v.RecordedAt, v.Stated = t, by.Stated
	switch {
	case v.Status == clinical.EnteredInError:
		v.Stated = true
	case by.Gone:
		v.Status = clinical.Corrected // by what is gone
	default:
		v.Status = by.Status
	}
	v.Feed, v.File, v.Line = Feed, by.file, by.line
	e.list = append(e.list, emission{v, by.Source})
}

// join makes readings of parts: each panel is one, and what was measured singly fills what
// is missing in a reading of the same position and limb, else makes one of its own.
func join(live []partVersion) (out []*fullReading) {
	slices.SortStableFunc(live, func(a, b partVersion) int {
		return cmp.Or(a.Rank-b.Rank, strings.Compare(a.Source, b.Source))
	})
	for _, p := range live {
		if p.Rank != rankPanel && fill(out, p) || p.Rank == rankBeside {
			continue
		}
		out = append(out, &fullReading{parts: []partVersion{p}, merged: p.part})
	}
	return out
}

// fill puts a part into the first reading that it fits. It is true, too, where a reading
// says the same already.
func fill(readings []*fullReading, p partVersion) bool {
	for _, r := range readings {
		m := &r.merged
		if m.Position != "" && p.Position != "" && m.Position != p.Position ||
			p.Rank < rankPulse && m.Limb != "" && p.Limb != "" && m.Limb != p.Limb {
			continue
		}
		have, comes := m.Systolic, p.Systolic
		switch p.Rank {
		case rankDiastolic:
			have, comes = m.Diastolic, p.Diastolic
		case rankPulse:
			have, comes = m.Pulse, p.Pulse
		case rankBeside:
			have, comes = nil, nil
		}
		switch {
		case have != nil && comes != nil && *have == *comes:
			return true
		case have != nil && comes != nil && p.Rank == rankPulse:
			return true // it has a pulse of its own
		case have != nil && comes != nil:
			continue
		case p.Rank == rankSystolic && slices.ContainsFunc(r.parts, func(o partVersion) bool { return o.Rank == rankSystolic }),
			p.Rank == rankDiastolic && slices.ContainsFunc(r.parts, func(o partVersion) bool { return o.Rank == rankDiastolic }):
			continue
		}
		r.take(p)
		return true
	}
	return false
}

func (r *fullReading) take(p partVersion) {
	m := &r.merged
	r.parts = append(r.parts, p)
	fillIn(&m.Systolic, p.Systolic)
	fillIn(&m.Diastolic, p.Diastolic)
	fillIn(&m.Pulse, p.Pulse)
	fillIn(&m.Minutes, p.Minutes)
	m.KPa = m.KPa || p.KPa
	m.Position = cmp.Or(m.Position, p.Position)
	m.Limb = cmp.Or(m.Limb, p.Limb)
	m.Note = cmp.Or(m.Note, p.Note)
	m.Stopped = m.Stopped || p.Stopped
	for _, s := range p.Symptoms {
		if !slices.Contains(m.Symptoms, s) {
			m.Symptoms = append(slices.Clone(m.Symptoms), s)
		}
	}
	if m.Encounter.empty() {
		m.Encounter = p.Encounter
	}
	if p.Rank <= rankDiastolic && r.parts[0].Rank <= rankDiastolic {
		m.Absent = absence(m.Absent, p.Absent)
	}
}

func fillIn(to **float64, v *float64) {
	if *to == nil {
		*to = v
	}
}

// absence is why neither of two pressures has a value: "" where one does not say.
func absence(a, b string) string {
	switch {
	case a == "" || b == "":
		return ""
	case a == clinical.Declined || b == clinical.Declined:
		return clinical.Declined
	}
	return a
}

// readingVersion is what a reading says: a fact of the kind vitals, or an answer where the
// patient did not stand up to be measured. keep is false where it is neither.
func (w *work) readingVersion(r *fullReading, t time.Time, e *emissions) (v clinical.Version, keep bool, err error) {
	m := r.merged
	f := fact{kind: clinical.KindVitals, source: r.parts[0].Source, status: m.Status}
	known, err := w.whose(m.Encounter, m.Subject, &f)
	switch {
	case err != nil:
		if f = f.failed(err); f.err != nil {
			return v, false, f.err
		}
		e.reason = f.reason
		return v, false, nil
	case !known:
		e.noStay = true
		return v, false, nil
	}
	if m.Absent == "" || m.valued() {
		body := clinical.Vitals{
			TakenAt: m.Taken, Systolic: m.Systolic, Diastolic: m.Diastolic, HeartRate: m.Pulse, Position: m.Position,
			Limb: m.Limb, MinutesInPosition: m.Minutes, Symptoms: m.Symptoms, StoppedEarly: m.Stopped,
		}
		if m.KPa {
			body.PressureUnit = "kPa"
		}
		return f.version(body), true, nil
	}
	if m.Position != clinical.Standing {
		return v, false, nil // not taken: there is no reading
	}
	f.kind = clinical.KindAnswer
	stood, err := w.stoodBefore(r)
	if err != nil {
		return v, false, err
	}
	if stood {
		was, err := w.known(clinical.KindAnswer, f.source)
		if was {
			e.add(w.gone(f, clinical.KindAnswer, t), t, r.parts[0])
		}
		return v, false, err
	}
	return f.version(clinical.Answer{AnsweredAt: m.Taken, Answer: m.Absent, Reason: m.Note}), true, nil
}

// standingBefore is how long before a reading that was not taken another one, standing, tells
// that the patient did stand.
const standingBefore = 15 * time.Minute

func (w *work) stoodBefore(r *fullReading) (bool, error) {
	near, err := w.standing(&r.merged, 0, -1)
	return slices.ContainsFunc(near, func(n partVersion) bool {
		since := r.merged.Taken.Sub(n.Taken)
		of := func(p partVersion) bool { return p.Source == n.Source }
		return !n.Gone && n.valued() && since >= 0 && since < standingBefore && !slices.ContainsFunc(r.parts, of)
	}), err
}
