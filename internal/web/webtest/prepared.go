package webtest

import (
	"context"
	"errors"
	"os"
	"sync"
	"testing"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/care"
	"plumbline/internal/episodes"
	"plumbline/internal/feedcheck"
	"plumbline/internal/policy"
	"plumbline/internal/store"
	"plumbline/internal/testdb"
	"plumbline/internal/testdb/teststore"
)

// key changes with the code that makes what prepared keeps.
var key = sync.OnceValues(func() (string, error) {
	return testdb.KeyOf("internal/alerts", "internal/assess", "internal/auth", "internal/care",
		"internal/clinical", "internal/demo", "internal/episodes", "internal/feedcheck", "internal/ingest", "internal/policy", "internal/records",
		"internal/store", "internal/testdb", "internal/trends", "internal/web/webtest", "seed")
})

// prepared opens a store on a copy of base that was prepared: what each test would do anew.
// seen makes the accounts, and keeps the digests of every stay as a program does that has
// shown the list once; stepped also counts the facts by day, and steps the episodes.
func prepared(
	tb testing.TB, name string, base func(testing.TB) string, zone *time.Location,
	prepare func(*store.Store, *time.Location) error,
) *store.Store {
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
		st, err := store.Open(context.Background(), path, nil)
		if err != nil {
			return err
		}
		st.EpisodeRules = episodes.KeptRules
		return errors.Join(prepare(st, zone), st.Close())
	}))
}

func seen(st *store.Store, zone *time.Location) error {
	ctx, now := context.Background(), teststore.Now()
	err := addAccounts(ctx, accounts(st, now))
	units, e := st.Units(ctx)
	err = errors.Join(err, e)
	answers := &assess.Service{Store: st, Policy: policy.NewSwitch(policy.Default()), Zone: zone}
	for _, unit := range units {
		_, e := answers.Live(ctx, unit, now)
		err = errors.Join(err, e)
	}
	return err
}

func stepped(st *store.Store, zone *time.Location) error {
	ctx, now := context.Background(), teststore.Now()
	inForce := policy.NewSwitch(policy.Default())
	answers := &assess.Service{Store: st, Policy: inForce, Zone: zone}
	watch := &feedcheck.Watch{Kept: st, Counter: answers, Clock: func() time.Time { return now }, Zone: zone}
	_, err := watch.CatchUp(ctx)
	_, e := (&care.Service{Answers: answers, Store: st, Policy: inForce, Zone: zone}).StepAll(ctx, now)
	return errors.Join(seen(st, zone), err, e)
}
