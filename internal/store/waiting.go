package store

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// waitingVersion counts for its fact, and its stay has not been seen.
type waitingVersion struct {
	id     int64
	loadID int64
	feed   string
	records.RowRef
}

// Waiting lists every row that waits now for its stay, by file and line.
func (s *Store) Waiting(ctx context.Context) ([]records.RowRef, error) {
	waiting, err := waitingVersions(s.reading(ctx))
	if err != nil {
		return nil, err
	}
	list := []records.RowRef{}
	for _, w := range waiting {
		list = append(list, w.RowRef)
	}
	return byPlace(list), nil
}

func byPlace(rows []records.RowRef) []records.RowRef {
	slices.SortFunc(rows, func(a, b records.RowRef) int {
		return cmp.Or(strings.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line),
			strings.Compare(string(a.Kind), string(b.Kind)), strings.Compare(a.SourceID, b.SourceID))
	})
	return rows
}

// waitingVersions goes through the facts that any version gives to a stay that
// is not seen: those are few, unless a feed of stays is missing.
func waitingVersions(tx *gorm.DB) ([]waitingVersion, error) {
	var unseen []string
	if err := tx.Raw("SELECT stay_id FROM stay_heads WHERE NOT seen ORDER BY stay_id").Scan(&unseen).Error; err != nil {
		return nil, err
	}
	var all []waitingVersion
	known := map[int64]bool{} // a fact moved between stays that are not seen is met twice
	for part := range parts(unseen, 500) {
		some, err := waitingOfStays(tx, part)
		if err != nil {
			return nil, err
		}
		for _, w := range some {
			if !known[w.id] {
				known[w.id] = true
				all = append(all, w)
			}
		}
	}
	ofPatients, err := waitingForPatients(tx)
	if err != nil {
		return nil, err
	}
	ofParts, err := waitingParts(tx)
	return slices.Concat(all, ofPatients, ofParts), err
}

func waitingOfStays(tx *gorm.DB, stayIDs []string) ([]waitingVersion, error) {
	rows, err := tx.Raw(`SELECT v.id, v.load_id, v.kind, v.source_id, v.stay_id, v.status, v.feed, v.file, v.line,
		coalesce(h.seen, TRUE)
		FROM (SELECT DISTINCT kind, source_id FROM fact_versions WHERE stay_id IN ? AND kind <> ?) f
		JOIN fact_versions v ON v.kind = f.kind AND v.source_id = f.source_id
		LEFT JOIN stay_heads h ON h.stay_id = v.stay_id
		ORDER BY v.kind, v.source_id, v.recorded_at, v.file, v.reading, v.line, v.hash`, stayIDs, string(clinical.KindStay)).Rows()
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var all []waitingVersion
	var last waitingVersion // of the fact that is being gone through
	var seen bool
	keep := func() {
		if last.id != 0 && !seen {
			all = append(all, last)
		}
	}
	for rows.Next() {
		var v waitingVersion
		var status clinical.Status
		var staySeen bool
		if err := rows.Scan(&v.id, &v.loadID, &v.Kind, &v.SourceID, &v.StayID, &status,
			&v.feed, &v.File, &v.Line, &staySeen); err != nil {
			return nil, err
		}
		switch sameFact := v.Kind == last.Kind && v.SourceID == last.SourceID; {
		case !sameFact:
			keep()
		case status == clinical.EnteredInError && v.StayID == "":
			v.StayID, staySeen = last.StayID, seen // it speaks of the stay of the version before it
		}
		last, seen = v, staySeen
	}
	keep()
	return all, ended(rows)
}

// waitingOf lists, of what waits, the rows of a load that are no parts: those that it
// brought, and those that were held already.
func waitingOf(tx *gorm.DB, load loadRow, waiting []waitingVersion) (fresh, repeated []waitingVersion, err error) {
	if len(waiting) == 0 {
		return nil, nil, nil
	}
	byID := make(map[int64]waitingVersion, len(waiting))
	for _, w := range waiting {
		byID[w.id] = w
		if w.loadID == load.ID {
			fresh = append(fresh, w)
		}
	}
	rows, err := tx.Raw("SELECT version_id, file, line FROM repeated_rows WHERE load_id = ? ORDER BY id", load.ID).Rows()
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var id int64
		var p place
		if err := rows.Scan(&id, &p.file, &p.line); err != nil {
			return nil, nil, err
		}
		if ref, waits := byID[id]; waits {
			ref.File, ref.Line = p.file, p.line
			repeated = append(repeated, ref)
		}
	}
	return fresh, repeated, ended(rows)
}
