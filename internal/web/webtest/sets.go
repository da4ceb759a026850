package webtest

import (
	"context"

	"plumbline/internal/clinical"
	feed "plumbline/internal/ingest/bedside"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
	"plumbline/internal/web/bedside"
)

// Sets keeps bedside sets in the store from which the board answers.
type Sets struct {
	bedside.Keeper
	data *store.Store
}

// All lists the facts that sets of unit 4W have become; nil where they cannot be read.
func (s *Sets) All() []clinical.Version {
	ctx := context.Background()
	stays, err := s.data.Candidates(ctx, "4W", teststore.Now())
	if err != nil {
		return nil
	}
	byStay, err := s.data.Versions(ctx, stays)
	if err != nil {
		return nil
	}
	var out []clinical.Version
	for _, stay := range stays {
		for _, v := range byStay[stay] {
			if v.Feed == feed.Feed {
				out = append(out, v)
			}
		}
	}
	return out
}
