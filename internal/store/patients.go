package store

import (
	"context"
	"slices"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// A version may name a patient and no stay. To which stay it belongs is worked out for the
// moment asked, from the stays as they were known then (clinical.StayOf); the store keeps
// which stays that can be, and which such versions have none now.

// choice is a condition on a row v of fact_versions, with its values.
type choice struct {
	where  string
	values []any
}

// factsOf is a query of the facts (stay_id, kind, source_id) that are needed for the charts
// of stays, with its values. Besides the stays it names those facts alone of which a version
// v that names the stay, or its patient, is of a choice.
func factsOf(tx *gorm.DB, stayIDs []string, of choice) (query string, values []any, err error) {
	query = "SELECT DISTINCT v.stay_id, v.kind, v.source_id FROM fact_versions v WHERE v.stay_id IN ? AND " + of.where
	values = append([]any{stayIDs}, of.values...)
	var patients []string
	err = tx.Raw(`SELECT DISTINCT p.patient_id FROM stay_patients p WHERE p.stay_id IN ?
		AND EXISTS (SELECT 1 FROM fact_versions v WHERE v.patient_id = p.patient_id AND v.patient_id <> '')`, stayIDs).Scan(&patients).Error
	if err != nil || len(patients) == 0 {
		return query, values, err
	}
	return query + ` UNION SELECT p.stay_id, v.kind, v.source_id FROM stay_patients p
			JOIN fact_versions v ON v.patient_id = p.patient_id AND v.patient_id <> '' WHERE p.stay_id IN ? AND p.patient_id IN ?
			AND ` + of.where + `
		UNION SELECT p.stay_id, ?, o.stay_id FROM stay_patients p
			JOIN stay_patients o ON o.patient_id = p.patient_id WHERE p.stay_id IN ? AND p.patient_id IN ?`,
		slices.Concat(
			values, []any{stayIDs, patients}, of.values, []any{string(clinical.KindStay), stayIDs, patients},
		), nil
}

// notePatients notes the patients that any version of stays names.
func notePatients(tx *gorm.DB, histories map[string][]clinical.Version) error {
	var pairs []any
	for stayID, versions := range histories {
		for _, v := range versions {
			if stay, ok := v.Body.(clinical.Stay); ok {
				pairs = append(pairs, stayID, plain(stay.PatientID))
			}
		}
	}
	for part := range parts(pairs, 1000) {
		err := tx.Exec("INSERT INTO stay_patients (stay_id, patient_id) VALUES "+tuples("(?, ?)", len(part)/2)+
			" ON CONFLICT DO NOTHING", part...).Error
		if err != nil {
			return err
		}
	}
	return nil
}

// fact names a fact.
type fact struct{ kind, sourceID string }

// patientFacts are facts of which a version that names a patient alone was stored.
type patientFacts struct {
	facts    []fact
	patients []string
}

// add notes a version of a fact, where it names a patient alone.
func (p *patientFacts) add(f fact, patientID string) {
	if patientID != "" {
		p.facts, p.patients = append(p.facts, f), append(p.patients, patientID)
	}
}

// refreshOfPatients brings up to date what hangs on patients: the revisions of stays
// between which such facts may have moved, but those touched already, and which facts wait.
func refreshOfPatients(tx *gorm.DB, of patientFacts, stays, touched []string) error {
	moving, err := patientsWithFacts(tx, stays)
	if err != nil {
		return err
	}
	patients := distinct(slices.Concat(of.patients, moving))
	if len(patients) == 0 {
		return nil
	}
	known := distinct(touched)
	for part := range parts(patients, 500) {
		var theirs []string
		if err := tx.Raw("SELECT DISTINCT stay_id FROM stay_patients WHERE patient_id IN ?", part).Scan(&theirs).Error; err != nil {
			return err
		}
		theirs = slices.DeleteFunc(distinct(theirs), func(s string) bool {
			_, bumped := slices.BinarySearch(known, s)
			return bumped
		})
		if err := bumpHeads(tx, theirs); err != nil {
			return err
		}
	}
	facts, err := factsOfPatients(tx, moving)
	if err != nil {
		return err
	}
	return refreshWaiting(tx, append(facts, of.facts...))
}

// patientsWithFacts are the patients of stays by whom alone some fact is named.
func patientsWithFacts(tx *gorm.DB, stays []string) (all []string, err error) {
	for part := range parts(stays, 500) {
		var some []string
		err := tx.Raw(`SELECT DISTINCT p.patient_id FROM stay_patients p WHERE p.stay_id IN ?
			AND EXISTS (SELECT 1 FROM fact_versions v WHERE v.patient_id = p.patient_id AND v.patient_id <> '')`, part).Scan(&some).Error
		if err != nil {
			return nil, err
		}
		all = append(all, some...)
	}
	return all, nil
}

func factsOfPatients(tx *gorm.DB, patients []string) (all []fact, err error) {
	for part := range parts(patients, 500) {
		rows, err := tx.Raw("SELECT DISTINCT kind, source_id FROM fact_versions WHERE patient_id IN ? AND patient_id <> ''", part).Rows()
		if err != nil {
			return nil, err
		}
		for rows.Next() {
			var f fact
			if err := rows.Scan(&f.kind, &f.sourceID); err != nil {
				_ = rows.Close()
				return nil, err
			}
			all = append(all, f)
		}
		if err := rows.Close(); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// refreshWaiting says anew of facts whether they wait for a stay of their patient.
func refreshWaiting(tx *gorm.DB, facts []fact) error {
	done := map[fact]bool{}
	for _, f := range facts {
		if done[f] {
			continue
		}
		done[f] = true
		if err := tx.Exec("DELETE FROM waiting_for_patient WHERE kind = ? AND source_id = ?", f.kind, f.sourceID).Error; err != nil {
			return err
		}
		id, v, err := countingVersion(tx, f)
		if err != nil {
			return err
		}
		if !v.OfPatient() {
			continue
		}
		stays, err := staysOfPatient(tx, v.PatientID)
		if err != nil {
			return err
		}
		if clinical.StayOf(stays, v.PatientID, v.CoveredTime()) != "" {
			continue
		}
		err = tx.Exec("INSERT INTO waiting_for_patient (version_id, kind, source_id) VALUES (?, ?, ?)", id, f.kind, f.sourceID).Error
		if err != nil {
			return err
		}
	}
	return nil
}

// countingVersion is the version of a fact that counts. A bare retraction speaks of what the
// version before it did.
func countingVersion(tx *gorm.DB, f fact) (id int64, v clinical.Version, err error) {
	rows, err := tx.Raw("SELECT v.id, "+versionColumns("v")+` FROM fact_versions v WHERE v.kind = ? AND v.source_id = ?
		ORDER BY v.recorded_at, v.file, v.reading, v.line, v.hash`, f.kind, f.sourceID).Rows()
	if err != nil {
		return 0, v, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		next, err := scanVersion(rows, &id)
		if err != nil {
			return 0, v, err
		}
		if next.Removed() && next.StayID == "" && next.Body == nil {
			next.StayID, next.PatientID, next.Body = v.StayID, v.PatientID, v.Body
		}
		v = next.Version
	}
	return id, v, ended(rows)
}

// staysOfPatient are the stays of a patient as all versions have them now, but those taken back.
func staysOfPatient(tx *gorm.DB, patientID string) (out []clinical.KnownStay, err error) {
	var ids []string
	if err := tx.Raw("SELECT stay_id FROM stay_patients WHERE patient_id = ?", patientID).Scan(&ids).Error; err != nil || len(ids) == 0 {
		return nil, err
	}
	histories, err := stayHistories(tx, ids)
	for id, versions := range histories {
		if last := versions[len(versions)-1]; !last.Removed() {
			out = append(out, clinical.KnownStay{ID: id, Stay: last.Body.(clinical.Stay)})
		}
	}
	return out, err
}

// StaysOfPatient are the stays of a patient as all versions have them now, but those taken back; in no order.
func (s *Store) StaysOfPatient(ctx context.Context, patientID string) (out []clinical.KnownStay, err error) {
	err = s.snapshot(ctx, func(tx *gorm.DB) error {
		out, err = staysOfPatient(tx, plain(patientID))
		return err
	})
	return out, err
}

// FeedLook shows what a feed has said of a topic until now.
func (s *Store) FeedLook(ctx context.Context, feed string) records.Look {
	return func(topic string) ([]records.Part, error) {
		found, err := partsOf(s.reading(ctx), plain(feed), []string{plain(topic)})
		return found[plain(topic)], err
	}
}
