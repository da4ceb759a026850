package app

import (
	"context"

	"plumbline/internal/assess"
	"plumbline/internal/store"
)

// factStore is the store as the answers want it.
type factStore struct {
	*store.Store
	// keep, where set, takes digests to be written behind the answer: a page
	// must not wait for a file that is being loaded.
	keep func([]store.Digest)
}

func (s factStore) Kept(ctx context.Context, stayIDs []string) (map[string]assess.Kept, map[string]int64, error) {
	digests, revisions, err := s.Digests(ctx, stayIDs)
	out := make(map[string]assess.Kept, len(digests))
	for stay, d := range digests {
		out[stay] = assess.Kept(d)
	}
	return out, revisions, err
}

func (s factStore) Keep(ctx context.Context, digests []assess.Kept) error {
	out := make([]store.Digest, len(digests))
	for n, d := range digests {
		out[n] = store.Digest(d)
	}
	if s.keep != nil {
		s.keep(out)
		return nil
	}
	return s.SaveDigests(ctx, out)
}
