// Package webtest puts the pages over the demo unit for tests. Accounts, tokens, episodes
// and policies are kept in a store of the test's own; the stories, and what is sent from
// the bedside, in memory, where tests change them.
package webtest

import (
	"bytes"
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/testdb/teststore"
	"plumbline/internal/web"
	"plumbline/internal/web/admin"
	"plumbline/internal/web/parts"
	"plumbline/seed"
)

// Board answers from memory, and counts what it is asked.
type Board struct {
	*assess.Service
	mu    sync.Mutex
	Lives int // how often the live list was worked out
	Lists int // how often a list of another moment was
}

// Live implements web.Answers; the memory behind it serves one at a time.
func (b *Board) Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.Lives++
	if err := b.known(ctx, unit); err != nil {
		return nil, err
	}
	return b.Service.Live(ctx, unit, now)
}

// List implements web.Answers.
func (b *Board) List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.Lists++
	if err := b.known(ctx, unit); err != nil {
		return nil, err
	}
	return b.Service.List(ctx, unit, at)
}

// known refuses a unit that no stay has named: the memory takes every stay for a
// candidate of every unit.
func (b *Board) known(ctx context.Context, unit string) error {
	units, err := b.Units(ctx)
	if err == nil && !slices.Contains(units, unit) {
		err = clinical.Errorf(clinical.NotFound, "there is no unit %q", unit)
	}
	return err
}

// Demo reads the demo unit into memory, with the accounts of Accounts. The moment
// is its anchor.
func Demo(tb testing.TB, zone *time.Location) (web.Deps, *Board) {
	tb.Helper()
	return of(tb, stories(tb), zone)
}

func stories(tb testing.TB) []demo.File {
	tb.Helper()
	files, err := seed.Files()
	if err != nil {
		tb.Fatal(err)
	}
	return files
}

// DemoWithPast is Demo with the months before the stories, which take the memory a
// while.
func DemoWithPast(tb testing.TB, zone *time.Location) (web.Deps, *Board) {
	tb.Helper()
	return of(tb, append(stories(tb), demo.Past(demo.AnchorTime())...), zone)
}

func of(tb testing.TB, files []demo.File, zone *time.Location) (web.Deps, *Board) {
	tb.Helper()
	now := demo.AnchorTime()
	memory := &assesstest.Memory{}
	health := parts.FeedHealth{FolderSet: true, LastRead: now.Add(-3 * time.Minute)}
	for _, f := range files {
		before := len(memory.All)
		if err := memory.Read(bytes.NewReader(f.Data), f.Name, zone, now); err != nil {
			tb.Fatalf("read %s: %v", f.Name, err)
		}
		health.Files = append(
			health.Files, parts.FeedFile{Name: f.Name, LastRead: health.LastRead, Rows: len(memory.All) - before},
		)
	}
	desk := &Desk{Memory: memory, Zone: zone, Now: now}
	health.HeldTotal, health.Waiting = len(memory.Rows), 1
	health.Kinds = desk.kinds(health.LastRead)
	inForce := policy.NewSwitch(policy.Default())
	st := teststore.Empty(tb)
	board := &Board{Service: &assess.Service{Store: memory, Policy: inForce, Zone: zone}}
	clock := func() time.Time { return now.Add(20 * time.Second) }
	return web.Deps{
		Answers: board, Policy: inForce, Zone: zone, Version: "test", Hospital: demo.Hospital,
		Clock: clock,
		Feeds: func(context.Context) (parts.FeedHealth, error) { return health, nil },
		Desk:  desk,
		Ready: func(context.Context) error { return nil }, Accounts: accounts(tb, st, now),
		Tokens: &auth.Tokens{Store: st, Limits: &auth.Limits{}, Clock: func() time.Time { return now }},
		Audit: func(context.Context, admin.AuditQuery) ([]audit.Entry, audit.Head, error) {
			return nil, audit.Head{Hash: audit.Genesis()}, nil
		},
		Episodes:    &care.Service{Board: board, Store: st, Policy: inForce},
		DoseReviews: &Reviews{},
		Sets:        &Sets{board, memory, map[string]bedside.Kept{}},
		Policies:    &policybook.Book{Store: st, Board: board.Service, Clock: clock, InForce: inForce},
		Assignments: &Assignments{},
	}, board
}
