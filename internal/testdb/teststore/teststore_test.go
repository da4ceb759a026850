package teststore_test

import (
	"context"
	"testing"
	"time"

	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

func rows(t *testing.T, st *store.Store) (total, held int) {
	t.Helper()
	state, err := st.Feeds(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range state.Kinds {
		total += k.Accepted
	}
	return total, state.Held
}

func TestAnEmptyStoreIsMigratedAndEmpty(t *testing.T) {
	if total, held := rows(t, teststore.Empty(t)); total != 0 || held != 0 {
		t.Errorf("an empty store holds %d facts and %d rows held back", total, held)
	}
}

func TestTheDemoIsLoaded(t *testing.T) {
	units, err := teststore.Demo(t).Units(context.Background())
	if err != nil || len(units) != 2 {
		t.Errorf("the units of the demo are %v (%v), want two", units, err)
	}
	stories, held := rows(t, teststore.Demo(t))
	if stories == 0 || held == 0 {
		t.Errorf("the demo holds %d facts and %d rows held back, want both", stories, held)
	}
	if past, _ := rows(t, teststore.DemoWithPast(t)); past <= stories {
		t.Errorf("with its past the demo holds %d facts, without %d", past, stories)
	}
}

func TestEachTestHasACopyOfItsOwn(t *testing.T) {
	a, b := teststore.Empty(t), teststore.Empty(t)
	if _, err := a.BeginLoad(context.Background(), time.Unix(0, 0), "test"); err != nil {
		t.Fatal(err)
	}
	for st, want := range map[*store.Store]bool{a: true, b: false} {
		state, err := st.Feeds(context.Background())
		if err != nil || (state.LastLoad != nil) != want {
			t.Errorf("a load that began: %v (%v), want %v", state.LastLoad, err, want)
		}
	}
}
