package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"plumbline/internal/records"
)

type codeRow struct {
	Number int64 `gorm:"primaryKey"`
	System string
	Code   string
	Kind   string
	Value  string
	Reason string
	Words  string // JSON; empty where there are none
	Who    string
	At     int64
}

func (codeRow) TableName() string { return "site_codes" }

func (r codeRow) code() records.Code {
	c := records.Code{
		Number: r.Number, System: r.System, Code: r.Code, Kind: records.CodeKind(r.Kind), Value: r.Value, Reason: r.Reason, Who: r.Who,
		At: fromMicros(r.At),
	}
	if r.Words != "" {
		_ = json.Unmarshal([]byte(r.Words), &c.Words) // written by AddCode alone
	}
	return c
}

// AddCode adds an entry to the site's table of codes and returns it with its number.
func (s *Store) AddCode(ctx context.Context, c records.Code) (records.Code, error) {
	row := codeRow{
		System: plain(c.System), Code: plain(c.Code), Kind: string(c.Kind), Value: plain(c.Value), Reason: plain(c.Reason),
		Who: plain(c.Who), At: micros(c.At),
	}
	if len(c.Words) > 0 {
		text, err := json.Marshal(c.Words)
		if err != nil {
			return records.Code{}, err
		}
		row.Words = plain(string(text))
	}
	if err := s.write.WithContext(ctx).Create(&row).Error; err != nil {
		return records.Code{}, fmt.Errorf("adding to the table of codes: %w", err)
	}
	return row.code(), nil
}

// Codes lists every entry of the site's table of codes, the first one first.
func (s *Store) Codes(ctx context.Context) ([]records.Code, error) {
	var rows []codeRow
	if err := s.reading(ctx).Order("number").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the table of codes: %w", err)
	}
	out := make([]records.Code, len(rows))
	for n, r := range rows {
		out[n] = r.code()
	}
	return out, nil
}

// SeenDrugs lists the drugs that orders and doses of their own time since from name, each
// as it was named, those of most facts first. Their kinds stand in the question itself, so
// that the index of them alone serves it (BenchmarkSeenDrugs).
func (s *Store) SeenDrugs(ctx context.Context, from time.Time) ([]records.SeenDrug, error) {
	value := "coalesce(json_extract(v.body, '$.%s'), '')"
	if s.engine == Postgres {
		value = "coalesce(v.body::json ->> '%s', '')"
	}
	of := func(key string) string { return fmt.Sprintf(value, key) }
	var rows []struct {
		Drug, ATC, RxNorm string
		Facts, Stays      int
		Newest            int64
	}
	err := s.reading(ctx).Raw(`SELECT drug, atc, rx_norm, count(*) AS facts, count(DISTINCT stay_id) AS stays, max(at) AS newest
		FROM (SELECT `+of("drug")+` AS drug, `+of("atc")+` AS atc, `+of("rxnorm")+` AS rx_norm, v.stay_id, v.kind, v.source_id,
			max(v.at) AS at FROM fact_versions v WHERE v.kind IN ('orders', 'doses') AND v.at >= ? AND v.body IS NOT NULL
			GROUP BY 1, 2, 3, v.stay_id, v.kind, v.source_id) AS named
		GROUP BY drug, atc, rx_norm ORDER BY count(*) DESC, drug, atc, rx_norm`,
		micros(from)).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading which drugs the feeds name: %w", err)
	}
	out := make([]records.SeenDrug, len(rows))
	for n, r := range rows {
		out[n] = records.SeenDrug{
			Text: r.Drug, ATC: r.ATC, RxNorm: r.RxNorm, Facts: r.Facts, Stays: r.Stays, Newest: fromMicros(r.Newest),
		}
	}
	return out, nil
}
