package webtest

import (
	"context"

	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

// Assignments keeps who was given what is owed in the store.
type Assignments struct{ *store.Store }

// All lists those of unit 4W, in the order in which they were made.
func (m *Assignments) All() []records.Assignment {
	at := teststore.Now()
	all, err := m.Assigned(context.Background(), "4W", at.AddDate(-1, 0, 0), at.AddDate(1, 0, 0))
	if err != nil {
		return nil
	}
	return all
}
