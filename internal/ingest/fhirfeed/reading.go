package fhirfeed

import (
	"cmp"
	"maps"
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
	Rank    int             `json:",omitempty"`
	Gone    bool            `json:",omitempty"` // entered in error, or cancelled
	Status  clinical.Status `json:",omitempty"`
	Stated  bool            `json:",omitempty"`
	Visit   pointer         `json:",omitzero"`
	Patient pointer         `json:",omitzero"`
	Taken   time.Time       `json:",omitzero"`

	Systolic  *float64          `json:",omitempty"`
	Diastolic *float64          `json:",omitempty"`
	Pulse     *float64          `json:",omitempty"`
	KPa       bool              `json:",omitempty"`
	Position  clinical.Position `json:",omitempty"`
	Limb      string            `json:",omitempty"`
	Absent    string            `json:",omitempty"` // why there is no value, as an answer
	Note      string            `json:",omitempty"`
	Symptoms  []string          `json:",omitempty"`
	Minutes   *float64          `json:",omitempty"`
	Stopped   bool              `json:",omitempty"`

	Ours string `json:",omitempty"` // the source_id of the reading taken here that it is an echo of

	More []part `json:",omitempty"` // what the same resource measured in other positions
}

func (p part) valued() bool {
	return p.Systolic != nil || p.Diastolic != nil || p.Pulse != nil || len(p.Symptoms) > 0 || p.Stopped || p.Minutes != nil
}

// declined reports whether the part may be an answer.
func (p part) declined() bool { return p.Absent != "" && !p.valued() }

// topics are those of a part: the reading, and what was standing in its quarter of an hour.
func (p part) topics() []records.Topic {
	if p.Ours != "" {
		return []records.Topic{{Name: echoTopic(p.Ours)}}
	}
	out := []records.Topic{{Name: readingTopic(p.Taken, p.Patient.main())}}
	if p.stood() {
		out = append(out, records.Topic{Name: standingTopic(p.Patient.main(), p.quarter())})
	}
	return out
}

func readingTopic(at time.Time, name string) string {
	return "reading " + strconv.FormatInt(at.UnixMicro(), 10) + " " + name
}

const quarterHour = int64(15 * time.Minute / time.Microsecond)

func (p part) quarter() int64 {
	return int64(math.Floor(float64(p.Taken.UnixMicro()) / float64(quarterHour)))
}

func standingTopic(name string, quarter int64) string {
	return "standing " + strconv.FormatInt(quarter, 10) + " " + name
}

// partVersion is a part as one version of its resource has it.
type partVersion struct {
	records.Part
	part
	position string // of a reading beside the first of its resource
}

// identity names a fact.
type identity struct {
	kind   clinical.Kind
	source string
}

// mostParts is how many measurements of one patient at one moment are joined; where there are
// more, each is a reading of its own.
const mostParts = 200

// readingGroup is what was measured at one moment of a patient, under all names that readings
// give the patient.
type readingGroup struct {
	resolver
	topics []string // in order; the first composes for all
	names  []string // of the patient
	parts  [][]partVersion
}

func groupOf(topic string, look records.Look) (*readingGroup, error) {
	g := &readingGroup{resolver: resolver{look}, topics: []string{topic}}
	_, rest, _ := strings.Cut(topic, " ")
	micros, name, _ := strings.Cut(rest, " ")
	n, _ := strconv.ParseInt(micros, 10, 64)
	g.names = []string{name}
	others, err := g.otherNames(name)
	if err != nil {
		return nil, err
	}
	for _, other := range others {
		used, err := look(aliasTopic(other))
		if err != nil {
			return nil, err
		}
		if len(used) > 0 {
			g.names = append(g.names, other)
			g.topics = append(g.topics, readingTopic(time.UnixMicro(n), other))
		}
	}
	slices.Sort(g.topics)
	return g, g.gather()
}

// otherNames are the names under which the patient may be known beside this one.
func (g *readingGroup) otherNames(name string) (out []string, err error) {
	versions, err := g.resource([]string{name})
	if err != nil || len(versions) == 0 {
		return nil, err
	}
	said, err := decodeBody[personSaid](lastOf(versions))
	for _, n := range append(said.Names, "number "+said.Number) {
		if pointer := (pointer{Names: []string{n}}); !strings.HasPrefix(n, "number ") {
			n = pointer.main()
		}
		if n != name && !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out, err
}

// gather finds the parts, and drops the topics of which nothing speaks.
func (g *readingGroup) gather() error {
	have := map[string]bool{}
	var used []string
	for _, topic := range g.topics {
		parts, err := g.look(topic)
		if err != nil {
			return err
		}
		if len(parts) > 0 {
			used = append(used, topic)
		}
		for start := 0; start < len(parts); {
			end := start + 1
			for end < len(parts) && parts[end].ID == parts[start].ID {
				end++
			}
			if id := parts[start].ID; !have[id] {
				have[id] = true
				versions, err := decodeParts(parts[start:end])
				if err != nil {
					return err
				}
				g.parts = append(g.parts, versions)
			}
			start = end
		}
	}
	g.topics = used
	slices.SortFunc(g.parts, func(a, b []partVersion) int { return strings.Compare(a[0].ID, b[0].ID) })
	return nil
}

// decodeParts reads the versions of one part. One that is of no reading says nothing here.
func decodeParts(parts []records.Part) (out []partVersion, err error) {
	for _, p := range parts {
		v := partVersion{Part: p}
		if !strings.HasPrefix(p.Topics[0].Name, "reading ") {
			v.Gone = true
		} else if v.part, err = decodeBody[part](p); err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, nil
}

// knownAt is the version that counts at a moment; nil before the first.
func knownAt(versions []partVersion, t time.Time) *partVersion {
	n, _ := slices.BinarySearchFunc(versions, t, func(v partVersion, t time.Time) int {
		if v.RecordedAt.After(t) {
			return 1
		}
		return -1
	})
	if n == 0 {
		return nil
	}
	return &versions[n-1]
}

func (g *readingGroup) home(v *partVersion) bool { return slices.Contains(g.topics, v.Topics[0].Name) }

// readingsAt are the readings of a moment.
func (g *readingGroup) readingsAt(t time.Time) []*fullReading {
	var live []partVersion
	for _, versions := range g.parts {
		if v := knownAt(versions, t); v != nil && !v.Gone && g.home(v) {
			live = append(live, v.readings()...)
		}
	}
	return join(live)
}

// moments are those at which something may change.
func (g *readingGroup) moments() (out []time.Time, err error) {
	declined := false
	for _, versions := range g.parts {
		for n := range versions {
			v := &versions[n]
			out = append(out, v.RecordedAt)
			declined = declined || v.answers()
			if !v.Gone && v.Visit.empty() {
				_, changes, err := g.of(v.Visit, v.Patient, v.RecordedAt)
				if err != nil {
					return nil, err
				}
				out = append(out, changes...)
			}
		}
	}
	if len(out) == 0 {
		return nil, nil
	}
	first := slices.MinFunc(out, time.Time.Compare)
	if declined {
		near, err := g.standing(g.taken())
		if err != nil {
			return nil, err
		}
		for _, v := range near {
			out = append(out, v.RecordedAt)
		}
	}
	out = slices.DeleteFunc(out, func(t time.Time) bool { return t.Before(first) })
	slices.SortFunc(out, time.Time.Compare)
	return slices.CompactFunc(out, time.Time.Equal), nil
}

func (g *readingGroup) taken() part {
	for _, versions := range g.parts {
		for _, v := range versions {
			if !v.Taken.IsZero() && g.home(&v) {
				return v.part
			}
		}
	}
	return part{}
}

// standing are the versions of what was standing in the quarter of an hour of a part, and the
// one before it.
func (g *readingGroup) standing(p part) (out []partVersion, err error) {
	for _, name := range g.names {
		for _, q := range []int64{p.quarter(), p.quarter() - 1} {
			parts, err := g.look(standingTopic(name, q))
			if err != nil {
				return nil, err
			}
			some, err := decodeParts(parts)
			if err != nil {
				return nil, err
			}
			out = append(out, some...)
		}
	}
	return out, nil
}

// composeReading makes the readings, and answers, of one moment of a patient.
func composeReading(topic string, look records.Look) (out records.Composed, err error) {
	g, err := groupOf(topic, look)
	if err != nil || len(g.parts) == 0 {
		return out, err
	}
	out.Ends = map[string]records.End{}
	groups := []*readingGroup{g}
	if len(g.parts) > mostParts {
		groups = groups[:0]
		for n := range g.parts {
			one := *g
			one.parts = g.parts[n : n+1]
			groups = append(groups, &one)
		}
	}
	for _, one := range groups {
		versions, err := one.unfold(out.Ends)
		if err != nil {
			return out, err
		}
		if g.topics[0] == topic {
			out.Versions = append(out.Versions, versions...)
		}
	}
	return out, nil
}

// unfolding goes through the moments at which something was recorded, and says of each what
// was known then.
type unfolding struct {
	*readingGroup
	live map[identity]lived
	out  []clinical.Version
	ends map[string]records.End
}

// lived is a reading that holds, and of how many parts it was made.
type lived struct {
	clinical.Version
	parts int
}

func (g *readingGroup) unfold(ends map[string]records.End) ([]clinical.Version, error) {
	u := unfolding{readingGroup: g, live: map[identity]lived{}}
	moments, err := g.moments()
	if err != nil {
		return nil, err
	}
	for _, t := range moments {
		u.ends = map[string]records.End{}
		if err := u.at(t); err != nil {
			return nil, err
		}
	}
	for _, versions := range g.parts {
		last := versions[len(versions)-1]
		end, told := u.ends[last.ID]
		if !told {
			end = records.PartSkipped // of no use in any reading
		}
		if last.Gone && slices.ContainsFunc(versions, func(v partVersion) bool { return !v.Gone }) {
			end = records.PartUsed // it took something back
		}
		ends[last.ID] = end
	}
	return u.out, nil
}

// at says what was known at a moment.
func (u *unfolding) at(t time.Time) error {
	came := u.came(t)
	now := map[identity]bool{}
	for _, r := range u.readingsAt(t) {
		v, end, err := u.version(r, t)
		if err != nil {
			return err
		}
		for _, p := range r.parts {
			if was, told := u.ends[p.ID]; !told || was != records.PartUsed { // it may be of several readings
				u.ends[p.ID] = end
			}
		}
		if end == records.PartWaits { // what it was before holds until then
			now[identity{clinical.KindVitals, v.SourceID}], now[identity{clinical.KindAnswer, v.SourceID}] = true, true
		}
		if v.Kind == "" {
			continue
		}
		now[identity{v.Kind, v.SourceID}] = true
		u.take(v, r, came, t)
	}
	for _, id := range slices.SortedFunc(maps.Keys(u.live), identity.compare) {
		if now[id] {
			continue
		}
		still, err := u.holdsElsewhere(id, t)
		if err != nil {
			return err
		}
		if was := u.live[id]; !still {
			u.out = append(u.out, removal(was.Version, came, t))
		}
		delete(u.live, id)
	}
	return nil
}

func (i identity) compare(o identity) int {
	return cmp.Or(strings.Compare(string(i.kind), string(o.kind)), strings.Compare(i.source, o.source))
}

// came is the part whose coming at a moment changed something: the last in the order of
// places, so that what takes a reading back comes after it.
func (u *unfolding) came(t time.Time) (p records.Part) {
	for _, versions := range u.parts {
		v := knownAt(versions, t)
		if v == nil {
			continue
		}
		if p.ID == "" || v.RecordedAt.Equal(t) && (!p.RecordedAt.Equal(t) || v.File > p.File || v.File == p.File && v.Line > p.Line) {
			p = v.Part
		}
	}
	return p
}

// take takes a version of a reading up where it is new or says something else.
func (u *unfolding) take(v clinical.Version, r *fullReading, came records.Part, t time.Time) {
	id := identity{v.Kind, v.SourceID}
	was, held := u.live[id]
	by := slices.IndexFunc(r.parts, func(p partVersion) bool { return p.RecordedAt.Equal(t) })
	v.File, v.Line = came.File, came.Line
	switch {
	case by >= 0:
		v.Status, v.Stated, v.File, v.Line = r.parts[by].Status, r.parts[by].Stated, r.parts[by].File, r.parts[by].Line
	case held && was.parts == len(r.parts):
		if v.Status, v.Stated = was.Status, was.Stated; !changed(was.Version, v) {
			return
		}
	case came.RecordedAt.Equal(t):
		v.Status, v.Stated = clinical.Corrected, true // by what is gone
	}
	v.RecordedAt = t
	u.live[id] = lived{v, len(r.parts)}
	u.out = append(u.out, v)
}

// version is what a reading says: a fact of the kind vitals, or an answer where the patient
// did not stand up to be measured. It has no kind where it is neither.
func (g *readingGroup) version(r *fullReading, t time.Time) (v clinical.Version, end records.End, err error) {
	m := r.merged
	v.SourceID = r.parts[0].source()
	who, _, err := g.of(m.Visit, m.Patient, t)
	switch {
	case err != nil:
		return v, "", err
	case who.none:
		return v, records.PartSkipped, nil
	case who.unknown:
		return v, records.PartWaits, nil
	}
	v.StayID, v.PatientID, v.Status, v.Stated = who.stay, who.patient, m.Status, m.Stated
	if !m.declined() {
		body := clinical.Vitals{
			TakenAt: m.Taken, Systolic: m.Systolic, Diastolic: m.Diastolic, HeartRate: m.Pulse, Position: m.Position,
			Limb: m.Limb, MinutesInPosition: m.Minutes, Symptoms: m.Symptoms, StoppedEarly: m.Stopped,
		}
		if m.KPa {
			body.PressureUnit = "kPa"
		}
		v.Kind, v.Body = clinical.KindVitals, body
		return v, records.PartUsed, nil
	}
	if m.Position != clinical.Standing {
		return v, records.PartSkipped, nil // not taken: there is no reading
	}
	stood, err := g.stoodBefore(r, t)
	if err != nil || stood {
		return v, records.PartSkipped, err
	}
	v.Kind, v.Body = clinical.KindAnswer, clinical.Answer{AnsweredAt: m.Taken, Answer: m.Absent, Reason: m.Note}
	return v, records.PartUsed, nil
}

// standingBefore is how long before a reading that was not taken another one, standing, tells
// that the patient did stand.
const standingBefore = 15 * time.Minute

func (g *readingGroup) stoodBefore(r *fullReading, t time.Time) (bool, error) {
	near, err := g.standing(r.merged)
	for start := 0; start < len(near); {
		end := start + 1
		for end < len(near) && near[end].ID == near[start].ID {
			end++
		}
		n := knownAt(near[start:end], t)
		start = end
		if n == nil || n.Gone || !n.stood() {
			continue
		}
		since := r.merged.Taken.Sub(n.Taken)
		of := slices.ContainsFunc(r.parts, func(p partVersion) bool { return p.ID == n.ID })
		if since >= 0 && since < standingBefore && !of {
			return true, nil
		}
	}
	return false, err
}

// holdsElsewhere tells whether a fact that is gone from here holds in the topic to which its
// part has moved.
func (g *readingGroup) holdsElsewhere(id identity, t time.Time) (bool, error) {
	for _, versions := range g.parts {
		if v := knownAt(versions, t); v != nil && v.mayBe(id.source) && !g.home(v) {
			return holdsThere(g.look, v.Topics[0].Name, id, t)
		}
	}
	return false, nil
}

// holdsThere tells whether a fact begins to hold in a topic at a moment.
func holdsThere(look records.Look, topic string, id identity, t time.Time) (bool, error) {
	if !strings.HasPrefix(topic, "reading ") {
		made, err := composeFact(topic, look)
		return slices.ContainsFunc(made.Versions, func(v clinical.Version) bool {
			return v.Kind == id.kind && v.SourceID == id.source && v.RecordedAt.Equal(t) && !v.Removed()
		}), err
	}
	g, err := groupOf(topic, look)
	if err != nil {
		return false, err
	}
	for _, r := range g.readingsAt(t) {
		v, _, err := g.version(r, t)
		if err != nil || v.Kind == id.kind && v.SourceID == id.source {
			return err == nil, err
		}
	}
	return false, nil
}

// fullReading is a reading or an answer with the parts that it was made of.
type fullReading struct {
	parts  []partVersion
	merged part
}

// join makes readings of parts: each panel is one, and what was measured singly fills what
// is missing in a reading of the same position and limb, else makes one of its own.
func join(live []partVersion) (out []*fullReading) {
	slices.SortStableFunc(live, func(a, b partVersion) int {
		return cmp.Or(a.Rank-b.Rank, strings.Compare(a.ID, b.ID))
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
	if m.Visit.empty() {
		m.Visit = p.Visit
	}
	if m.Patient.empty() {
		m.Patient = p.Patient
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
