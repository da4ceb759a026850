// Package assesstest keeps a feed in memory, for tests of what is worked out of
// it: no database stands between the rows and the answer.
package assesstest

import (
	"context"
	"io"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Memory is an assess.Store of versions held in memory.
type Memory struct {
	All  []clinical.Version
	Rows []records.Held

	kept map[string]records.Digest
}

// Read adds a CSV file.
func (m *Memory) Read(r io.Reader, name string, zone *time.Location, now time.Time) error {
	kind, _ := csvfeed.KindOf(name)
	return csvfeed.Read(r, kind, name, feed.Options{Zone: zone, Now: now}, (*memorySink)(m))
}

type memorySink Memory

func (m *memorySink) Put(v clinical.Version) error { m.All = append(m.All, v); return nil }
func (m *memorySink) Hold(h records.Held) error    { m.Rows = append(m.Rows, h); return nil }
func (m *memorySink) Notice(string)                {}

// Skip implements feed.Sink.
func (m *memorySink) Skip(string, clinical.Kind) error { return nil }

// Units implements assess.Store.
func (m *Memory) Units(context.Context) ([]string, error) {
	var out []string
	for _, v := range m.All {
		if s, ok := v.Body.(clinical.Stay); ok && !slices.Contains(out, s.Unit) {
			out = append(out, s.Unit)
		}
	}
	slices.Sort(out)
	return out, nil
}

// Stays lists every stay that a version names.
func (m *Memory) Stays() []string {
	var out []string
	for _, v := range m.All {
		if v.Kind == clinical.KindStay && !slices.Contains(out, v.SourceID) {
			out = append(out, v.SourceID)
		}
	}
	slices.Sort(out)
	return out
}

// Candidates implements assess.Store, without leaving anybody out.
func (m *Memory) Candidates(context.Context, string, time.Time) ([]string, error) {
	return m.Stays(), nil
}

// Between implements assess.Store, without leaving anybody out.
func (m *Memory) Between(context.Context, string, time.Time, time.Time) ([]string, error) {
	return m.Stays(), nil
}

// FallStays implements assess.Store.
func (m *Memory) FallStays(_ context.Context, sourceID string) ([]string, error) {
	return m.stays(func(v clinical.Version) bool { return v.Kind == clinical.KindFall && v.SourceID == sourceID }), nil
}

// FallsBetween implements assess.Store.
func (m *Memory) FallsBetween(_ context.Context, from, to time.Time) ([]string, error) {
	return m.stays(func(v clinical.Version) bool {
		b, ok := v.Body.(clinical.Fall)
		return ok && !b.FellAt.Before(from) && b.FellAt.Before(to)
	}), nil
}

// stays lists the stays that the versions which hold something name.
func (m *Memory) stays(holds func(clinical.Version) bool) []string {
	var out []string
	for _, v := range m.All {
		if v.StayID != "" && holds(v) && !slices.Contains(out, v.StayID) {
			out = append(out, v.StayID)
		}
	}
	slices.Sort(out)
	return out
}

// Versions implements assess.Store.
func (m *Memory) Versions(_ context.Context, stayIDs []string) (map[string][]clinical.Version, error) {
	type fact struct {
		kind clinical.Kind
		id   string
	}
	stays := map[fact]map[string]bool{}
	for _, v := range m.All {
		f := fact{v.Kind, v.SourceID}
		if stays[f] == nil {
			stays[f] = map[string]bool{}
		}
		stays[f][v.StayID] = true
	}
	out := map[string][]clinical.Version{}
	for _, v := range m.All {
		for stay := range stays[fact{v.Kind, v.SourceID}] {
			if slices.Contains(stayIDs, stay) {
				out[stay] = append(out[stay], v)
			}
		}
	}
	return out, nil
}

// Digests implements assess.Store.
func (m *Memory) Digests(_ context.Context, stayIDs []string) (map[string]records.Digest, map[string]int64, error) {
	out, revisions := map[string]records.Digest{}, map[string]int64{}
	for _, s := range stayIDs {
		revisions[s] = int64(len(m.All))
		if k, ok := m.kept[s]; ok {
			out[s] = k
		}
	}
	return out, revisions, nil
}

// Revisions implements assess.Store.
func (m *Memory) Revisions(_ context.Context, stayIDs []string) (map[string]int64, error) {
	out := map[string]int64{}
	for _, s := range stayIDs {
		out[s] = int64(len(m.All))
	}
	return out, nil
}

// SaveDigests implements assess.Store.
func (m *Memory) SaveDigests(_ context.Context, digests []records.Digest) error {
	if m.kept == nil {
		m.kept = map[string]records.Digest{}
	}
	for _, k := range digests {
		m.kept[k.StayID] = k
	}
	return nil
}
