// Package webtest puts the pages over the demo unit, as the real store holds it in a file
// of each test's own.
package webtest

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/auth"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/codebook"
	"plumbline/internal/demo"
	"plumbline/internal/feedcheck"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web"
	"plumbline/internal/web/bedside"
	"plumbline/internal/web/feeds"
	"plumbline/internal/web/parts"
)

// Answers answers from the store, and counts what it is asked.
type Answers struct {
	*assess.Service
	Data  *store.Store
	mu    sync.Mutex
	Lives int // how often the live list was worked out
	Lists int // how often a list of another moment was
	puts  atomic.Int64
}

// Live implements web.Answers.
func (b *Answers) Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error) {
	b.count(&b.Lives)
	return b.Service.Live(ctx, unit, now)
}

// List implements web.Answers.
func (b *Answers) List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error) {
	b.count(&b.Lists)
	return b.Service.List(ctx, unit, at)
}

func (b *Answers) count(n *int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	*n++
}

// Put stores further versions, as if the demo's feed had brought them where they name none.
func (b *Answers) Put(t testing.TB, versions ...clinical.Version) {
	t.Helper()
	b.take(t, func(batch records.Batch) error {
		for _, v := range versions {
			v.Feed = cmp.Or(v.Feed, csvfeed.Feed)
			if err := batch.Put(v); err != nil {
				return err
			}
		}
		return nil
	})
}

// Hold keeps further rows in quarantine.
func (b *Answers) Hold(t testing.TB, held ...records.Held) {
	t.Helper()
	b.take(t, func(batch records.Batch) error {
		for _, h := range held {
			if err := batch.Hold(h); err != nil {
				return err
			}
		}
		return nil
	})
}

func (b *Answers) take(t testing.TB, read func(records.Batch) error) {
	t.Helper()
	ctx, at := t.Context(), teststore.Now()
	load, err := b.Data.BeginLoad(ctx, at, "test")
	if err != nil {
		t.Fatal(err)
	}
	mark := records.Mark{Name: fmt.Sprintf("/demo/feed/more-%d.csv", b.puts.Add(1)), Size: 1, ModTime: at}
	if _, err := b.Data.Take(ctx, records.Delivery{Load: load, File: &mark}, read); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Data.FinishLoad(ctx, load, at); err != nil {
		t.Fatal(err)
	}
}

// Demo is the demo unit with accounts of every role. The moment is its anchor.
func Demo(t testing.TB, zone *time.Location) (web.Deps, *Answers) {
	t.Helper()
	return of(t, prepared(t, "demo", teststore.DemoFile, zone, seen), zone)
}

// DemoStepped is Demo whose facts were counted by day and whose episodes were stepped to its moment.
func DemoStepped(t testing.TB, zone *time.Location) (web.Deps, *Answers) {
	t.Helper()
	return of(t, prepared(t, "demo-stepped", teststore.DemoFile, zone, stepped), zone)
}

// DemoWithPast is Demo with the year before the stories.
func DemoWithPast(t testing.TB, zone *time.Location) (web.Deps, *Answers) {
	t.Helper()
	return of(t, prepared(t, "demo-with-past", teststore.DemoWithPastFile, zone, seen), zone)
}

func of(t testing.TB, st *store.Store, zone *time.Location) (web.Deps, *Answers) {
	t.Helper()
	now := teststore.Now()
	clock := func() time.Time { return now.Add(20 * time.Second) }
	inForce := policy.NewSwitch(policy.Default())
	board := &Answers{Service: &assess.Service{Store: st, Policy: inForce, Zone: zone}, Data: st}
	episodes := &care.Service{Answers: board, Store: st, Policy: inForce, Zone: zone}
	loader := &ingest.Loader{
		Store: st, Readers: []feed.Reader{csvfeed.Reader{}}, Clock: clock, Zone: zone,
		Plausible: func(v clinical.Vitals) []string {
			return text.Doubts(trends.Believe("", v, inForce.Current().Policy.Plausible).Implausible)
		},
	}
	health := healthOf(t, st, now)
	log := slog.New(slog.DiscardHandler)
	codes := &codebook.Book{Store: st, Clock: clock}
	board.Drugs = codes.Drugs
	watch := &feedcheck.Watch{Kept: st, Counter: board.Service, Clock: clock, Zone: zone}
	checks := &feedcheck.Book{Store: st, Clock: clock}
	return web.Deps{
		Codes: codes, Checks: checks, Watch: watch,
		Answers: board, Policy: inForce, Zone: zone, Version: "test", Hospital: demo.Hospital, Clock: clock,
		Feeds: func(ctx context.Context) (h parts.FeedHealth, err error) {
			h = health
			if h.Units, err = checks.States(ctx); err != nil {
				return h, err
			}
			h.Gaps, err = watch.GapsNow(ctx)
			return h, err
		},
		Desk:  &feeds.Desk{Rows: st, Loader: loader, Log: log},
		Ready: func(context.Context) error { return nil }, Accounts: accounts(st, now),
		Tokens:      &auth.Tokens{Store: st, Limits: &auth.Limits{}, Clock: func() time.Time { return now }},
		Screens:     &auth.Screens{Store: st, Limits: &auth.Limits{}, Clock: clock},
		Audit:       st.Audit,
		Episodes:    episodes,
		DoseReviews: st,
		Shift:       st,
		UnitChanges: st,
		Landed:      st.LastLanded,
		Sets:        &Sets{bedside.Keeper{Loader: loader, Messages: st, Episodes: episodes, Log: log}, st},
		Policies:    &policybook.Book{Store: st, Answers: board.Service, Clock: clock, InForce: inForce},
	}, board
}

// healthOf is how the feeds of the demo stand three minutes after they were read.
func healthOf(t testing.TB, st *store.Store, now time.Time) parts.FeedHealth {
	t.Helper()
	state, err := st.Feeds(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	h := parts.FeedHealth{FeedState: state, Folder: "/demo/feed", LastRead: now.Add(-3 * time.Minute)}
	for n := range h.Files {
		h.Files[n].ReadAt = h.LastRead
	}
	for n := range h.Kinds {
		h.Kinds[n].ReadAt, h.Kinds[n].NewAt = h.LastRead, h.LastRead
	}
	return h
}
