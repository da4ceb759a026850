// Package assesstest keeps a feed in memory, for tests of what is worked out of
// it: no database stands between the rows and the answer.
package assesstest

import (
	"context"
	"io"
	"slices"
	"sync"
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

	// What has been looked at of All, which tests append to and at times cut. Several may
	// ask at once.
	mu     sync.Mutex
	looked int
	last   clinical.Version         // of those
	byFact map[fact][]int           // places in All
	naming map[string]map[fact]bool // the facts that any version gives to a stay
}

type fact struct {
	kind clinical.Kind
	id   string
}

// look takes in what was added to All since the last look.
func (m *Memory) look() {
	if m.byFact == nil || m.looked > len(m.All) || m.looked > 0 && !samePlace(m.last, m.All[m.looked-1]) {
		m.looked, m.byFact, m.naming = 0, map[fact][]int{}, map[string]map[fact]bool{}
	}
	for n, v := range m.All[m.looked:] {
		f := fact{v.Kind, v.SourceID}
		m.byFact[f] = append(m.byFact[f], m.looked+n)
		if m.naming[v.StayID] == nil {
			m.naming[v.StayID] = map[fact]bool{}
		}
		m.naming[v.StayID][f] = true
	}
	if m.looked = len(m.All); m.looked > 0 {
		m.last = m.All[m.looked-1]
	}
}

func samePlace(a, b clinical.Version) bool {
	return a.Kind == b.Kind && a.SourceID == b.SourceID && a.StayID == b.StayID
}

// Read adds a CSV file.
func (m *Memory) Read(r io.Reader, name string, zone *time.Location, now time.Time) error {
	kind, _ := csvfeed.KindOf(name)
	return csvfeed.Read(r, kind, name, feed.Options{Zone: zone, Now: now}, (*memorySink)(m))
}

type memorySink Memory

func (m *memorySink) Put(v clinical.Version) error { m.All = append(m.All, v); return nil }
func (m *memorySink) Seen(records.SeenCode) error  { return nil }
func (m *memorySink) Beside(records.Part) error    { return nil }
func (m *memorySink) Hold(h records.Held) error    { m.Rows = append(m.Rows, h); return nil }
func (m *memorySink) Notice(string)                {}

// Skip implements feed.Sink.
func (m *memorySink) Skip(string, clinical.Kind) error { return nil }

// Part implements feed.Sink. The memory store keeps facts alone.
func (m *memorySink) Part(p records.Part) error {
	return clinical.Errorf(clinical.Internal, "the memory store composes nothing of the part %s", p.ID)
}

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

// StayItself implements assess.Store.
func (m *Memory) StayItself(_ context.Context, stayID string) ([]clinical.Version, error) {
	return m.some(func(v clinical.Version) bool { return v.Kind == clinical.KindStay && v.SourceID == stayID }), nil
}

// FallItself implements assess.Store, with every stay.
func (m *Memory) FallItself(_ context.Context, sourceID string) ([]clinical.Version, error) {
	return m.some(func(v clinical.Version) bool {
		return v.Kind == clinical.KindStay || v.Kind == clinical.KindFall && v.SourceID == sourceID
	}), nil
}

func (m *Memory) some(holds func(clinical.Version) bool) (out []clinical.Version) {
	for _, v := range m.All {
		if holds(v) {
			out = append(out, v)
		}
	}
	return out
}

// Versions implements assess.Store.
func (m *Memory) Versions(_ context.Context, stayIDs []string) (map[string][]clinical.Version, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.look()
	out := map[string][]clinical.Version{}
	for _, stay := range stayIDs {
		var places []int
		for f := range m.naming[stay] {
			places = append(places, m.byFact[f]...)
		}
		slices.Sort(places)
		for _, n := range places {
			out[stay] = append(out[stay], m.All[n])
		}
	}
	return out, nil
}

// Readings implements assess.Store, with no more than it must.
func (m *Memory) Readings(ctx context.Context, stayIDs []string, since time.Time) (map[string][]clinical.Version, error) {
	all, err := m.Versions(ctx, stayIDs)
	for stay, versions := range all {
		recent := map[string]bool{}
		for _, v := range versions {
			b, ok := v.Body.(clinical.Vitals)
			recent[v.SourceID] = recent[v.SourceID] || ok && v.StayID == stay && !b.TakenAt.Before(since)
		}
		all[stay] = slices.DeleteFunc(versions, func(v clinical.Version) bool {
			return v.Kind != clinical.KindStay && (v.Kind != clinical.KindVitals || !recent[v.SourceID])
		})
	}
	return all, err
}

// LastCame implements assess.Store.
func (m *Memory) LastCame(
	ctx context.Context, stayIDs []string, by time.Time,
) (map[clinical.Kind]time.Time, error) {
	all, err := m.Versions(ctx, stayIDs)
	out := map[clinical.Kind]time.Time{}
	for _, versions := range all {
		for _, v := range versions {
			if v.Feed != clinical.BedsideFeed && !v.RecordedAt.After(by) && v.RecordedAt.After(out[v.Kind]) {
				out[v.Kind] = v.RecordedAt
			}
		}
	}
	return out, err
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
