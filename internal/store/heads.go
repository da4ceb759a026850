package store

import (
	"slices"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
)

// refreshStays brings up to date what is kept of stays beside their facts, after
// the rows of the chunk were stored and the versions in moved took other places.
func (f *flusher) refreshStays(rows []versionRow, outcome stored, moved []movedVersion) error {
	changed := make([]bool, len(rows))
	for n := range changed {
		changed[n] = true
	}
	for _, v := range outcome.found {
		changed[v.n] = false
	}
	touched, of, err := f.factsOfMoved(moved)
	if err != nil {
		return err
	}
	for _, o := range outcome.older {
		if changed[o.n] {
			touched = append(touched, o.stayID)
			of.add(fact{rows[o.n].kind, rows[o.n].sourceID}, o.patientID)
		}
	}
	for _, m := range moved {
		changed[m.n] = true
	}
	var stays []string
	for n := range rows {
		if !changed[n] {
			continue
		}
		touched = append(touched, rows[n].stayID)
		of.add(fact{rows[n].kind, rows[n].sourceID}, rows[n].patientID)
		if rows[n].kind == string(clinical.KindStay) {
			stays = append(stays, rows[n].sourceID)
		}
	}
	if err := bumpHeads(f.tx, distinct(touched)); err != nil {
		return err
	}
	stays = distinct(stays)
	for part := range parts(stays, 500) {
		if err := refreshSpans(f.tx, part); err != nil {
			return err
		}
	}
	return refreshOfPatients(f.tx, of, stays, touched)
}

// factsOfMoved are the stays to which any version gives a fact of which a version moved,
// and those of the facts that name a patient alone.
func (f *flusher) factsOfMoved(moved []movedVersion) (stays []string, of patientFacts, err error) {
	for part := range parts(moved, 500) {
		ids := make([]int64, len(part))
		for n, m := range part {
			ids[n] = m.id
		}
		var some []struct{ Kind, SourceID, StayID, PatientID string }
		err := f.tx.Raw(`SELECT DISTINCT v.kind, v.source_id, v.stay_id, v.patient_id FROM fact_versions n
			JOIN fact_versions v ON v.kind = n.kind AND v.source_id = n.source_id WHERE n.id IN ?`, ids).Scan(&some).Error
		if err != nil {
			return nil, of, err
		}
		for _, v := range some {
			stays = append(stays, v.StayID)
			of.add(fact{v.Kind, v.SourceID}, v.PatientID)
		}
	}
	return stays, of, nil
}

// bumpHeads counts up the revisions of stays.
func bumpHeads(tx *gorm.DB, stayIDs []string) error {
	if len(stayIDs) > 0 && stayIDs[0] == "" {
		stayIDs = stayIDs[1:] // a retraction that names no stay
	}
	for part := range parts(stayIDs, 500) {
		values := make([]any, len(part))
		for n, id := range part {
			values[n] = id
		}
		err := tx.Exec("INSERT INTO stay_heads (stay_id, revision, seen) VALUES "+tuples("(?, 1, FALSE)", len(part))+
			" ON CONFLICT (stay_id) DO UPDATE SET revision = stay_heads.revision + 1", values...).Error
		if err != nil {
			return err
		}
	}
	return nil
}

// span is the time in which a stay can have been on a unit's list.
type span struct {
	stayID   string
	unit     string
	startsAt int64
	endsAt   *int64 // nil while no end is known
}

// refreshSpans notes of stays, of which a version was stored, that they have been
// seen, and says anew when and on which units they can have been.
func refreshSpans(tx *gorm.DB, stayIDs []string) error {
	histories, err := stayHistories(tx, stayIDs)
	if err != nil {
		return err
	}
	var spans []span
	for _, id := range stayIDs {
		spans = append(spans, spansOf(id, histories[id])...)
	}
	if err := noteSeen(tx, stayIDs, histories); err != nil {
		return err
	}
	if err := notePatients(tx, histories); err != nil {
		return err
	}
	return replaceSpans(tx, stayIDs, spans)
}

// noteSeen notes which stays have been seen. One that was taken back has: facts charted for
// it do not wait. One of which no version is left has not.
func noteSeen(tx *gorm.DB, stayIDs []string, histories map[string][]clinical.Version) error {
	for _, seen := range []bool{true, false} {
		ids := slices.DeleteFunc(slices.Clone(stayIDs), func(id string) bool { return (len(histories[id]) > 0) != seen })
		if len(ids) == 0 {
			continue
		}
		if err := tx.Exec("UPDATE stay_heads SET seen = ? WHERE stay_id IN ?", seen, ids).Error; err != nil {
			return err
		}
	}
	return nil
}

// stayHistories reads every version of the stays themselves, the one that counts last.
func stayHistories(tx *gorm.DB, stayIDs []string) (map[string][]clinical.Version, error) {
	rows, err := tx.Raw("SELECT "+versionColumns("v")+` FROM fact_versions v WHERE v.kind = ? AND v.source_id IN ?
		ORDER BY v.source_id, v.recorded_at, v.file, v.reading, v.line, v.hash`, string(clinical.KindStay), stayIDs).Rows()
	if err != nil {
		return nil, err
	}
	all := map[string][]clinical.Version{}
	err = eachVersion(rows, func(v storedVersion) error {
		all[v.SourceID] = append(all[v.SourceID], v.Version)
		return nil
	})
	return all, err
}

// spansOf is, for each unit that any version of a stay named, the time from the
// earliest admission to the last moment at which the stay can have been on that
// unit's list, whatever was known by then: at any later moment the version that
// counts is known, and it says when the stay ended.
func spansOf(stayID string, versions []clinical.Version) []span {
	var units []string
	var start, lastRecorded int64
	for _, v := range versions {
		lastRecorded = micros(v.RecordedAt) // they are in this order
		stay, ok := v.Body.(clinical.Stay)
		if !ok {
			continue
		}
		if admitted := micros(stay.AdmittedAt); len(units) == 0 || admitted < start {
			start = admitted
		}
		units = append(units, plain(stay.Unit))
	}
	if len(units) == 0 {
		return nil
	}
	end := &lastRecorded
	if last := versions[len(versions)-1]; !last.Removed() {
		end = nil
		if stay, ok := last.Body.(clinical.Stay); ok && stay.DischargedAt != nil {
			latest := max(lastRecorded, micros(*stay.DischargedAt))
			end = &latest
		}
	}
	var spans []span
	for _, unit := range distinct(units) {
		spans = append(spans, span{stayID, unit, start, end})
	}
	return spans
}

func replaceSpans(tx *gorm.DB, stayIDs []string, spans []span) error {
	if err := tx.Exec("DELETE FROM stay_spans WHERE stay_id IN ?", stayIDs).Error; err != nil {
		return err
	}
	for part := range slices.Chunk(spans, 500) {
		values := make([]any, 0, 4*len(part))
		for _, s := range part {
			values = append(values, s.stayID, s.unit, s.startsAt, s.endsAt)
		}
		err := tx.Exec("INSERT INTO stay_spans (stay_id, unit, starts_at, ends_at) VALUES "+tuples("(?,?,?,?)", len(part)), values...).Error
		if err != nil {
			return err
		}
	}
	return nil
}
