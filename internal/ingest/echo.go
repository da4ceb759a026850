package ingest

import (
	"context"
	"slices"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// What was taken here comes back from the record under its own identity. It is compared with what was taken
// here: what says the same changes nothing, what says otherwise corrects it in that alone.

// withoutEchoes takes out of what came of a topic what says the same as was taken here, and has the rest
// correct what was.
func (s *sink) withoutEchoes(topic string, look records.Look, made records.Composed) (records.Composed, error) {
	ids := make([]string, 0, len(made.Versions))
	for _, v := range made.Versions {
		if clinical.IsOurs(v.SourceID) {
			ids = append(ids, v.SourceID)
		}
	}
	if len(ids) == 0 {
		return made, nil
	}
	here, err := s.loader.Store.TakenHere(context.Background(), ids)
	if err != nil {
		return made, err
	}
	kept, echoes, lastIsEcho := made.Versions[:0:0], map[string]*echoing{}, false
	slices.SortStableFunc(made.Versions, func(a, b clinical.Version) int { return a.RecordedAt.Compare(b.RecordedAt) })
	for _, v := range made.Versions {
		ours, known := here[v.SourceID]
		if !known {
			if v.StayID != "" || v.PatientID != "" || v.Removed() {
				kept = append(kept, v)
			}
			continue
		}
		if echoes[v.SourceID] == nil {
			echoes[v.SourceID] = &echoing{ours: ours}
		}
		correction, is := echoes[v.SourceID].next(v)
		if lastIsEcho = !is; is {
			kept = append(kept, correction)
		}
	}
	if made.Versions = kept; !lastIsEcho {
		return made, nil
	}
	return made, endAsEcho(topic, look, &made)
}

// endAsEcho says of the parts of a topic that they say nothing new.
func endAsEcho(topic string, look records.Look, made *records.Composed) error {
	parts, err := look(topic)
	if err != nil {
		return err
	}
	if made.Ends == nil {
		made.Ends = map[string]records.End{}
	}
	for _, p := range parts {
		if _, ended := made.Ends[p.ID]; !ended && p.Topics[0].Name == topic {
			made.Ends[p.ID] = records.PartUnchanged
		}
	}
	return nil
}

// echoing goes through the versions of one echo in the order in which they were recorded.
type echoing struct {
	ours records.TakenHere
	last *clinical.Version // the last correction of the record's
}

// next is the correction that a version of the echo is. It is none where it says the same as any version
// taken here: but a record that has taken our latest and says an older one later means it, and so does one
// that takes back a correction of its own.
func (e *echoing) next(v clinical.Version) (correction clinical.Version, is bool) {
	if v.Kind != e.ours.Kind {
		return v, false
	}
	latest := e.ours.Versions[0]
	for _, o := range e.ours.Versions {
		if !o.RecordedAt.After(v.RecordedAt) {
			latest = o
		}
	}
	merged := mergedEcho(v, latest)
	said := slices.ContainsFunc(e.ours.Versions, func(o clinical.Version) bool { return sameEcho(o, v) })
	if said && !e.turnsBack(v, latest) {
		return v, false
	}
	e.last = &merged
	return merged, true
}

func (e *echoing) turnsBack(v, latest clinical.Version) bool {
	if e.last != nil && e.last.RecordedAt.After(latest.RecordedAt) {
		return !sameEcho(*e.last, v)
	}
	taken, sent := e.ours.TakenAt[latest.RecordedAt.UnixMicro()]
	return !sameEcho(latest, v) && sent && v.RecordedAt.After(taken)
}

// sameEcho compares a version taken here with one of the record's.
func sameEcho(ours, theirs clinical.Version) bool {
	if ours.Removed() || theirs.Removed() {
		return ours.Removed() == theirs.Removed()
	}
	return ours.Body != nil && theirs.Body != nil && clinical.EchoesBody(ours.Body, theirs.Body)
}

// mergedEcho is what was taken here as the record corrects it.
func mergedEcho(v, ours clinical.Version) clinical.Version {
	if v.StayID == "" {
		v.StayID, v.PatientID = ours.StayID, ""
	}
	if !v.Removed() && ours.Body != nil {
		v.Status, v.Body = clinical.Corrected, clinical.CorrectedByEcho(ours.Body, v.Body)
	}
	return v
}
