package store

import (
	"encoding/json"
	"time"

	"plumbline/internal/clinical"
)

// The tables that gorm writes and reads as rows. Facts, heads and spans are
// written by statements of their own (batch.go, heads.go).

type loadRow struct {
	ID          int64 `gorm:"primaryKey"`
	StartedAt   int64
	FinishedAt  *int64
	How         string
	AfterID     int64
	LastID      *int64
	Files       int64 // read so far
	Rows        int64
	Unchanged   int64
	Quarantined int64
	Summary     *string
}

func (loadRow) TableName() string { return "loads" }

type repeatedRow struct {
	ID        int64 `gorm:"primaryKey"`
	LoadID    int64
	VersionID int64
	File      string
	Line      int
}

func (repeatedRow) TableName() string { return "repeated_rows" }

type fileRow struct {
	Name        string `gorm:"primaryKey"`
	Size        *int64
	ModTimeNS   *int64 `gorm:"column:mod_time_ns"`
	Hash        *string
	Rows        *int
	Unchanged   *int
	Quarantined *int
	LoadID      int64
	ReadAt      int64
	Error       string
}

func (fileRow) TableName() string { return "feed_files" }

// mark is the bookmark of the last time the file was read whole.
func (r fileRow) mark() (m FileMark, read bool) {
	m.Name = r.Name
	if r.Size == nil {
		return m, false
	}
	m.Size = *r.Size
	if r.ModTimeNS != nil {
		m.ModTime = time.Unix(0, *r.ModTimeNS).UTC()
	}
	if r.Hash != nil {
		m.Hash = *r.Hash
	}
	return m, true
}

type heldRow struct {
	ID        int64 `gorm:"primaryKey"`
	Name      string
	File      string
	Line      int
	Kind      string
	SourceID  string
	Status    string
	Reason    string
	Header    string
	Record    string
	Feed      string
	LoadID    int64
	FirstSeen int64
	LastSeen  int64
}

func (heldRow) TableName() string { return "quarantined_rows" }

func (r heldRow) held() (Held, error) {
	h := Held{
		ID: r.ID, File: r.File, Line: r.Line, Kind: clinical.Kind(r.Kind), SourceID: r.SourceID,
		Status: r.Status, Reason: r.Reason, Feed: r.Feed,
		FirstSeen: fromMicros(r.FirstSeen), LastSeen: fromMicros(r.LastSeen),
	}
	if err := json.Unmarshal([]byte(r.Header), &h.Header); err != nil {
		return h, err
	}
	return h, json.Unmarshal([]byte(r.Record), &h.Record)
}

type digestRow struct {
	StayID     string `gorm:"primaryKey"`
	Basis      string
	Revision   int64
	ValidFrom  int64
	ValidUntil *int64
	Body       []byte
}

func (digestRow) TableName() string { return "stay_digests" }

type policyRow struct {
	Hash        string `gorm:"primaryKey"`
	YAML        string `gorm:"column:yaml"`
	FirstUsedAt int64
}

func (policyRow) TableName() string { return "policies" }
