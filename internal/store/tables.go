package store

import (
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// The tables that gorm writes and reads as rows. Facts, heads and spans are
// written by statements of their own (batch.go, heads.go).

type loadRow struct {
	ID         int64 `gorm:"primaryKey"`
	StartedAt  int64
	FinishedAt *int64
	How        string
	AfterID    int64
	LastID     *int64
	Files      int64 // read so far
	Rows       int64
	Unchanged  int64
	Skipped    int64
	Held       int64 `gorm:"column:quarantined"`
	Summary    *string
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

type skippedRow struct {
	LoadID int64  `gorm:"primaryKey"`
	Feed   string `gorm:"primaryKey"`
	Kind   string `gorm:"primaryKey"`
	Rows   int
}

func (skippedRow) TableName() string { return "skipped_rows" }

type fileRow struct {
	Name      string `gorm:"primaryKey"`
	Size      *int64
	ModTimeNS *int64 `gorm:"column:mod_time_ns"`
	Hash      *string
	Rows      *int
	Unchanged *int
	Skipped   *int
	Held      *int `gorm:"column:quarantined"`
	LoadID    int64
	ReadAt    int64
	Error     string
}

func (fileRow) TableName() string { return "feed_files" }

// mark is the bookmark of the last time the file was read whole.
func (r fileRow) mark() (m records.Mark, read bool) {
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
	Context   []byte
	Original  []byte
	Feed      string
	LoadID    int64
	FirstSeen int64
	LastSeen  int64
	RetryAt   *int64
}

func (heldRow) TableName() string { return "quarantined_rows" }

func (r heldRow) held() records.Held {
	return records.Held{
		ID: r.ID, File: r.File, Line: r.Line, Kind: clinical.Kind(r.Kind), SourceID: r.SourceID,
		Status: clinical.Status(r.Status), Reason: r.Reason, Feed: r.Feed, Context: r.Context, Original: r.Original,
		FirstSeen: fromMicros(r.FirstSeen), LastSeen: fromMicros(r.LastSeen), RetryAt: fromOptional(r.RetryAt),
	}
}

// someBytes are the bytes, never nil: the database takes nil for null.
func someBytes(b []byte) []byte { return append([]byte{}, b...) }

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
