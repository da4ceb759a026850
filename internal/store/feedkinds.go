package store

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// How a load was started, where no file was read: it tells nothing of the feeds.
const (
	LoadRetry = "retry"
	LoadFix   = "fix"
	// LoadBedside is of one set from the bedside; it counts for its kind alone.
	LoadBedside = "bedside"
)

// feedKind names a kind of facts of a feed.
type feedKind struct{ feed, kind string }

// kindTally is what became of the rows of one kind in one load.
type kindTally struct {
	stored, counting, repeated, skipped, held int
	waitingFresh, waitingRepeated             int
	newest                                    *int64
}

// tallyKinds counts by feed and kind what FinishLoad counts over all of them.
func tallyKinds(tx *gorm.DB, load loadRow) (map[feedKind]*kindTally, skippedParts, error) {
	all := map[feedKind]*kindTally{}
	of := func(feed, kind string) *kindTally {
		k := feedKind{feed, kind}
		if all[k] == nil {
			all[k] = &kindTally{}
		}
		return all[k]
	}
	each := func(take func(*kindTally, int, *int64), query string, values ...any) error {
		rows, err := tx.Raw(query, values...).Rows()
		if err != nil {
			return err
		}
		defer func() { _ = rows.Close() }()
		for rows.Next() {
			var feed, kind string
			var n int
			var newest *int64
			if err := rows.Scan(&feed, &kind, &n, &newest); err != nil {
				return err
			}
			take(of(feed, kind), n, newest)
		}
		return ended(rows)
	}
	err := each(func(t *kindTally, n int, newest *int64) { t.stored, t.newest = n, newest },
		`SELECT feed, kind, count(*), max(CASE WHEN recorded_at <= ? AND recorded_at > ? THEN recorded_at END) FROM fact_versions
		WHERE id > ? AND load_id = ? GROUP BY feed, kind`, load.StartedAt, micros(time.Time{}), load.AfterID, load.ID)
	if err == nil && len(all) > 0 {
		err = each(func(t *kindTally, n int, _ *int64) { t.counting = n },
			"SELECT n.feed, n.kind, count(*), NULL FROM fact_versions n WHERE n.id > ? AND n.load_id = ? AND "+counts+
				" GROUP BY n.feed, n.kind", load.AfterID, load.ID)
	}
	any := false
	if err == nil {
		any, err = anyWaits(tx)
	}
	if err == nil && any && len(all) > 0 {
		err = each(func(t *kindTally, n int, _ *int64) { t.waitingFresh = n },
			"SELECT n.feed, n.kind, count(*), NULL FROM fact_versions n WHERE n.id > ? AND n.load_id = ? AND "+waits+
				" GROUP BY n.feed, n.kind", load.AfterID, load.ID)
	}
	if err == nil && load.Unchanged > 0 {
		repeated := `SELECT n.feed, n.kind, count(*), NULL FROM repeated_rows r JOIN fact_versions n ON n.id = r.version_id
			WHERE r.load_id = ?%s GROUP BY n.feed, n.kind`
		err = each(func(t *kindTally, n int, _ *int64) { t.repeated = n }, fmt.Sprintf(repeated, ""), load.ID)
		if err == nil && any {
			err = each(func(t *kindTally, n int, _ *int64) { t.waitingRepeated = n }, fmt.Sprintf(repeated, " AND "+waits), load.ID)
		}
	}
	if err == nil && load.Held > 0 {
		err = each(func(t *kindTally, n int, _ *int64) { t.held = n },
			"SELECT feed, kind, count(*), NULL FROM quarantined_rows WHERE load_id = ? GROUP BY feed, kind", load.ID)
	}
	if err == nil && load.Skipped > 0 {
		err = each(func(t *kindTally, n int, _ *int64) { t.skipped = n },
			"SELECT feed, kind, rows, NULL FROM skipped_rows WHERE load_id = ?", load.ID)
	}
	if err != nil {
		return all, skippedParts{}, err
	}
	skipped, err := tallyParts(tx, load, of)
	return all, skipped, err
}

// saveKinds keeps the tallies of a load that read files.
func saveKinds(tx *gorm.DB, load loadRow, tallies map[feedKind]*kindTally) error {
	if load.How == LoadRetry || load.How == LoadFix {
		return nil
	}
	for k, t := range tallies {
		var had []feedKindRow
		if err := tx.Find(&had, "feed = ? AND kind = ?", k.feed, k.kind).Error; err != nil {
			return err
		}
		row := feedKindRow{Feed: k.feed, Kind: k.kind}
		if len(had) > 0 {
			row.NewAt, row.NewestAt = had[0].NewAt, had[0].NewestAt
		}
		row.ReadAt = load.StartedAt
		if t.stored > 0 {
			row.NewAt = &load.StartedAt
		}
		if t.newest != nil && (row.NewestAt == nil || *row.NewestAt < *t.newest) {
			row.NewestAt = t.newest
		}
		row.Rows = t.stored + t.repeated + t.skipped + t.held
		row.Accepted, row.Superseded = t.counting-t.waitingFresh, t.stored-t.counting
		row.Unchanged, row.Waiting = t.repeated-t.waitingRepeated, t.waitingFresh+t.waitingRepeated
		row.Skipped, row.Held = t.skipped, t.held
		if err := tx.Clauses(clause.OnConflict{UpdateAll: true}).Create(&row).Error; err != nil {
			return err
		}
	}
	return nil
}

// feedKinds lists the kinds of the feeds that a load has counted or of which rows are
// held or wait, in the order in which people read a chart.
func feedKinds(tx *gorm.DB, waiting []waitingCount) ([]records.FeedKind, error) {
	var rows []feedKindRow
	if err := tx.Find(&rows).Error; err != nil {
		return nil, err
	}
	all := map[feedKind]*records.FeedKind{}
	of := func(feed, kind string) *records.FeedKind {
		k := feedKind{feed, kind}
		if all[k] == nil {
			all[k] = &records.FeedKind{Feed: feed, Kind: clinical.Kind(kind)}
		}
		return all[k]
	}
	for _, r := range rows {
		*of(r.Feed, r.Kind) = r.feedKind()
	}
	var held []struct {
		Feed, Kind string
		N          int
	}
	if err := tx.Raw("SELECT feed, kind, count(*) AS n FROM quarantined_rows GROUP BY feed, kind").Scan(&held).Error; err != nil {
		return nil, err
	}
	for _, h := range held {
		of(h.Feed, h.Kind).HeldNow = h.N
	}
	for _, w := range waiting {
		of(w.Feed, w.Kind).WaitingNow = w.N
	}
	out := make([]records.FeedKind, 0, len(all))
	for _, k := range all {
		out = append(out, *k)
	}
	slices.SortFunc(out, func(a, b records.FeedKind) int {
		return cmp.Or(strings.Compare(a.Feed, b.Feed), slices.Index(clinical.Kinds, a.Kind)-slices.Index(clinical.Kinds, b.Kind),
			strings.Compare(string(a.Kind), string(b.Kind)))
	})
	return out, nil
}

type feedKindRow struct {
	Feed       string `gorm:"primaryKey"`
	Kind       string `gorm:"primaryKey"`
	ReadAt     int64
	NewAt      *int64
	NewestAt   *int64
	Rows       int
	Accepted   int
	Unchanged  int
	Superseded int
	Waiting    int
	Skipped    int
	Held       int `gorm:"column:quarantined"`
}

func (feedKindRow) TableName() string { return "feed_kinds" }

func (r feedKindRow) feedKind() records.FeedKind {
	return records.FeedKind{
		Feed: r.Feed, Kind: clinical.Kind(r.Kind), ReadAt: fromMicros(r.ReadAt), NewAt: fromOptional(r.NewAt), NewestAt: fromOptional(r.NewestAt),
		Rows: r.Rows, Accepted: r.Accepted, Unchanged: r.Unchanged, Superseded: r.Superseded, Waiting: r.Waiting, Skipped: r.Skipped,
		Held: r.Held,
	}
}
