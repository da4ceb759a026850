package store

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"

	"gorm.io/gorm/clause"

	"plumbline/internal/records"
)

// seenCodeRow is a code that nothing told when it came.
type seenCodeRow struct {
	Feed   string `gorm:"primaryKey"`
	Kind   string `gorm:"primaryKey"`
	System string `gorm:"primaryKey"`
	Code   string `gorm:"primaryKey"`
	Text   string
	Rows   int
	Newest int64
}

func (seenCodeRow) TableName() string { return "seen_codes" }

// How many such codes one delivery may bring, and how long what is kept of one may be, in bytes.
// What comes beyond is not counted: nobody reads as much.
const (
	mostSeenCodes  = 2000
	longestSeenRow = 200
)

type seenKey struct{ feed, kind, system, code string }

func (k seenKey) compare(o seenKey) int {
	return cmp.Or(cmp.Compare(k.feed, o.feed), cmp.Compare(k.kind, o.kind), cmp.Compare(k.system, o.system), cmp.Compare(k.code, o.code))
}

func shortened(s string) string { return plain(s[:min(len(s), longestSeenRow)]) }

// Seen implements records.Batch.
func (b *batch) Seen(c records.SeenCode) error {
	k := seenKey{plain(c.Feed), string(c.Kind), shortened(c.System), shortened(c.Code)}
	row, known := b.seen[k]
	switch {
	case k.code == "" || !known && len(b.seen) >= mostSeenCodes:
		return b.err
	case b.seen == nil:
		b.seen = map[seenKey]seenCodeRow{}
	}
	row.Text, row.Rows = cmp.Or(shortened(c.Text), row.Text), row.Rows+1
	b.seen[k] = row
	return b.err
}

// saveSeen counts the codes of the delivery.
func (b *batch) saveSeen() error {
	var rows []seenCodeRow
	for _, k := range slices.SortedFunc(maps.Keys(b.seen), seenKey.compare) {
		r := b.seen[k]
		rows = append(rows, seenCodeRow{k.feed, k.kind, k.system, k.code, r.Text, r.Rows, b.load.StartedAt})
	}
	if len(rows) == 0 {
		return nil
	}
	conflict := clause.OnConflict{
		Columns: []clause.Column{{Name: "feed"}, {Name: "kind"}, {Name: "system"}, {Name: "code"}},
		DoUpdates: clause.Assignments(map[string]any{
			"rows": clause.Expr{SQL: "seen_codes.rows + excluded.rows"}, "newest": clause.Expr{SQL: "excluded.newest"},
			"text": clause.Expr{SQL: "excluded.text"},
		}),
	}
	return b.tx.Clauses(conflict).CreateInBatches(rows, 100).Error
}

// SeenCodes lists the codes that nothing told when they came, those of most rows first.
func (s *Store) SeenCodes(ctx context.Context) ([]records.SeenCode, error) {
	var rows []seenCodeRow
	if err := s.reading(ctx).Order("rows DESC, feed, kind, system, code").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading which codes the feeds named: %w", err)
	}
	out := make([]records.SeenCode, len(rows))
	for n, r := range rows {
		out[n] = records.SeenCode{
			Feed: r.Feed, Kind: records.SeenKind(r.Kind), System: r.System, Code: r.Code, Text: r.Text, Rows: r.Rows, Newest: fromMicros(r.Newest),
		}
	}
	return out, nil
}
