package webtest

import (
	"context"
	"errors"
	"os"
	"sync"
	"testing"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/policy"
	"plumbline/internal/store"
	"plumbline/internal/testdb"
	"plumbline/internal/testdb/teststore"
)

// key changes with the code that makes what prepared keeps.
var key = sync.OnceValues(func() (string, error) {
	return testdb.KeyOf("internal/alerts", "internal/assess", "internal/auth", "internal/clinical",
		"internal/demo", "internal/feedcheck", "internal/ingest", "internal/policy", "internal/records",
		"internal/store", "internal/testdb", "internal/trends", "internal/web/webtest", "seed")
})

// prepared opens a store on a copy of base in which the accounts are made and the digests of
// every stay kept, as a program leaves it that has shown the list once: each test would work
// them out anew.
func prepared(tb testing.TB, name string, base func(testing.TB) string, zone *time.Location) *store.Store {
	tb.Helper()
	key, err := key()
	if err != nil {
		tb.Fatal(err)
	}
	return teststore.Open(tb, testdb.SQLiteFrom(tb, "web-"+name, key, func(path string) error {
		data, err := os.ReadFile(base(tb))
		if err != nil {
			return err
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			return err
		}
		return prepare(context.Background(), path, zone)
	}))
}

func prepare(ctx context.Context, path string, zone *time.Location) error {
	st, err := store.Open(ctx, path, nil)
	if err != nil {
		return err
	}
	now := teststore.Now()
	err = addAccounts(ctx, accounts(st, now))
	units, e := st.Units(ctx)
	err = errors.Join(err, e)
	answers := &assess.Service{Store: st, Policy: policy.NewSwitch(policy.Default()), Zone: zone}
	for _, unit := range units {
		_, e := answers.Live(ctx, unit, now)
		err = errors.Join(err, e)
	}
	return errors.Join(err, st.Close())
}
