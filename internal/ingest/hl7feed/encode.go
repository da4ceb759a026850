package hl7feed

import (
	"encoding/json"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// encode writes what a part says. The types of this package have no value that JSON lacks.
func encode(body any) []byte {
	text, err := json.Marshal(body)
	if err != nil {
		panic(err) // a fault of this program
	}
	return text
}

// version is a version of a part with what it says.
type version[B any] struct {
	records.Part
	body B
}

// versionsAt are the versions of the parts whose home is the topic, from the oldest to the
// one that counts last. moved tells that the last version of a part has another home.
func versionsAt[B any](topic string, look records.Look) (list []version[B], moved bool, err error) {
	parts, err := look(topic)
	if err != nil {
		return nil, false, err
	}
	for n, p := range parts {
		home := p.Topics[0].Name == topic
		if last := n+1 == len(parts) || parts[n+1].ID != p.ID; last && !home {
			moved = true
		}
		if !home {
			continue
		}
		v := version[B]{Part: p}
		if err := json.Unmarshal(p.Body, &v.body); err != nil {
			return nil, false, err
		}
		list = append(list, v)
	}
	slices.SortStableFunc(list, func(a, b version[B]) int { return a.RecordedAt.Compare(b.RecordedAt) })
	return list, moved, nil
}

// moments are those at which something may change: when versions were recorded, and others.
func moments[B any](list []version[B], others []time.Time) []time.Time {
	var out []time.Time
	for _, v := range list {
		out = append(out, v.RecordedAt)
	}
	if len(out) > 0 {
		for _, t := range others {
			if t.After(out[0]) {
				out = append(out, t)
			}
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return slices.CompactFunc(out, time.Time.Equal)
}

// history gathers the versions of a fact, each where it differs from the one before.
type history struct {
	versions []clinical.Version
	last     string
}

// add adds what is known of a fact at a moment.
func (h *history) add(v clinical.Version, by records.Part, at time.Time) {
	v.RecordedAt, v.Stated, v.File, v.Line = at, true, by.File, by.Line
	says := string(encode(struct {
		Stay, Patient string
		Status        clinical.Status
		Body          clinical.Body
	}{v.StayID, v.PatientID, v.Status, v.Body}))
	if says == h.last {
		return
	}
	h.last = says
	h.versions = append(h.versions, v)
}

// begun reports whether the fact has been there.
func (h *history) begun() bool { return h.last != "" }
