package store

import (
	"context"
	"fmt"

	"plumbline/internal/clinical"
)

// AcceptedAmong streams, of the facts of a kind whose source ids are given, the
// versions that the load brought and that count, those that wait and those that were composed
// of parts included.
func (s *Store) AcceptedAmong(
	ctx context.Context, loadID int64, kind clinical.Kind, sourceIDs []string,
	each func(clinical.Version) error,
) error {
	for part := range parts(distinct(sourceIDs), 500) {
		rows, err := s.reading(ctx).Raw("SELECT "+versionColumns("n")+` FROM fact_versions n
			WHERE n.kind = ? AND n.source_id IN ? AND n.load_id IN (?, ?) AND `+counts+" ORDER BY n.id",
			string(kind), part, loadID, -loadID).Rows()
		if err != nil {
			return fmt.Errorf("reading what load %d brought: %w", loadID, err)
		}
		if err := eachVersion(rows, func(v storedVersion) error { return each(v.Version) }); err != nil {
			return err
		}
	}
	return nil
}
