package app

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"runtime"
	"sync"
	"time"

	"github.com/robfig/cron/v3"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/fhirpoll"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// schedule runs jobs by the clock. Jobs that machines set run in UTC.
type schedule struct {
	cancel context.CancelFunc
	job    cron.Job
	begun  sync.WaitGroup // of all that runs
}

// startLeased runs a job where this instance has the lease: as often as every says, and at once
// when the lease comes to it.
func (s *site) startLeased(ctx context.Context, every string, atOnce bool, job func(context.Context)) (*schedule, error) {
	started, err := startJob(ctx, s.log, every, atOnce, s.lease.only(job))
	if err == nil {
		s.lease.whenGained(started.begin)
	}
	return started, err
}

// begin runs the job now, unless it runs already.
func (s *schedule) begin() {
	s.begun.Go(s.job.Run)
}

// startJob runs a job as often as every says; atOnce runs it before, too, and waits
// for that. The job's context ends when the schedule is stopped.
func startJob(ctx context.Context, log *slog.Logger, every string, atOnce bool, job func(context.Context)) (*schedule, error) {
	ctx, cancel := context.WithCancel(ctx)
	messages := cronLog{log}
	when, err := cron.ParseStandard(every)
	if err != nil {
		cancel()
		return nil, err
	}
	// Skipping must stand outside recovering: the other way round one panic
	// leaves the job marked as running for good.
	chain := cron.NewChain(cron.SkipIfStillRunning(messages), cron.Recover(messages))
	s := &schedule{cancel: cancel, job: chain.Then(cron.FuncJob(func() { job(ctx) }))}
	if atOnce {
		s.job.Run()
	}
	s.begun.Go(func() { s.run(ctx, when) })
	return s, nil
}

// run runs the job at its turns until ctx ends. It does not leave that to cron, which waits for the
// moment that it worked out: a clock that is set back by an hour would hold everything up for an hour.
func (s *schedule) run(ctx context.Context, when cron.Schedule) {
	if even, is := when.(cron.ConstantDelaySchedule); is {
		ticks := time.NewTicker(even.Delay) // by what passes, whatever the clock shows
		defer ticks.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-ticks.C:
				s.job.Run()
			}
		}
	}
	for next := newTurn(when, time.Now().UTC()); ; {
		due, wait := next.look(time.Now().UTC())
		if due {
			s.job.Run()
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
	}
}

// turn is when a job is due next by the clock on the wall.
type turn struct {
	when cron.Schedule
	seen time.Time // the clock, at the last look
	at   time.Time
}

func newTurn(when cron.Schedule, now time.Time) *turn { return &turn{when, now, when.Next(now)} }

// longestNap is how long a set clock may go unnoticed.
const longestNap = 30 * time.Second

// look reports whether the job is due, and how long to wait until the next look.
func (t *turn) look(now time.Time) (due bool, wait time.Duration) {
	due = !t.at.IsZero() && !now.Before(t.at) // 31 February never comes
	if due || now.Before(t.seen) {            // the clock was set back
		t.at = t.when.Next(now)
	}
	t.seen = now
	if t.at.IsZero() {
		return false, longestNap
	}
	return due, min(max(t.at.Sub(now), 0), longestNap)
}

// startSchedule reads the feed folder now and then as often as the settings say.
func startSchedule(ctx context.Context, s *site, w *ingest.Watcher) (*schedule, error) {
	feeds, err := s.startLeased(ctx, s.settings.feedEvery, true, func(ctx context.Context) {
		before := w.Last().ReadAt
		if err := w.Poll(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("the feed folder was not read; it is tried again", "error", err)
		}
		if !w.Last().ReadAt.Equal(before) {
			s.stepEpisodes(ctx, w, w.Clock())
		}
	})
	if err != nil {
		return nil, usagef("feed-every %q is not a schedule: %v; write @every 1m or a cron expression", s.settings.feedEvery, err)
	}
	return feeds, nil
}

// startRetries reads the rows again that were held only because they lay ahead of the clock, and, once,
// those of which the file of the site's codes, or this program, may tell more than the one before the start.
func startRetries(ctx context.Context, s *site, w *ingest.Watcher, clock clinical.Clock) (*schedule, error) {
	untold, older := true, true
	return s.startLeased(ctx, "@every 1m", false, func(ctx context.Context) {
		if untold {
			n, err := s.loader.RetryUnmapped(ctx)
			untold = err != nil
			s.readAgain(ctx, w, clock(), "rows with codes that are told now", records.Counts{Rows: n}, n > 0, err)
		}
		if older {
			counts, any, err := s.retryAfterUpdate(ctx)
			older = err != nil
			s.readAgain(ctx, w, clock(), "rows that an older version held", counts, any, err)
		}
		summary, any, err := s.loader.RetryDue(ctx)
		s.readAgain(ctx, w, clock(), "rows that lay ahead of the clock", summary.Counts, any, err)
	})
}

// readAgain says what became of rows that were read again, and has the episodes look at it.
func (s *site) readAgain(ctx context.Context, w *ingest.Watcher, now time.Time, which string, got records.Counts, any bool, err error) {
	switch {
	case err != nil && ctx.Err() == nil:
		s.log.Error(which+" were not read again; it is tried again", "error", err)
	case err == nil && any:
		s.log.Info(which+" were read again", "rows", got.Rows, "accepted", got.Accepted, "waiting", got.Waiting, "held", got.Held)
		s.stepEpisodes(ctx, w, now)
	}
}

// retryAfterUpdate reads all held rows again where another version of the program did so last: it may be
// one that mends the reason why they are held.
func (s *site) retryAfterUpdate(ctx context.Context) (got records.Counts, any bool, err error) {
	program := Version + " " + Commit
	last, err := s.store.HeldReadBy(ctx)
	if err != nil || last == program {
		return got, false, err
	}
	if held, err := s.store.HeldRows(ctx, records.HeldQuery{Bare: true, Limit: 1}); err != nil || len(held) == 0 {
		return got, false, cmp.Or(err, s.store.NoteHeldRead(ctx, program))
	}
	summary, err := s.loader.Retry(ctx)
	if err != nil {
		return got, false, err
	}
	return summary.Counts, true, s.store.NoteHeldRead(ctx, program)
}

// startTrims keeps the rows held back within the bounds of the settings.
func startTrims(ctx context.Context, s *site, clock clinical.Clock) (*schedule, error) {
	return s.startLeased(ctx, "@every 10m", true, func(ctx context.Context) {
		now := clock()
		dropped, err := s.store.TrimHeld(ctx, now.AddDate(0, 0, -s.settings.heldDays), s.settings.heldBytes, now)
		if err != nil && ctx.Err() == nil {
			s.log.Error("the rows held back were not kept within their bounds; it is tried again", "error", err)
		}
		for _, d := range dropped {
			s.log.Warn("rows held back were dropped: "+
				"quarantine-max-bytes and quarantine-max-days are the settings; send them again if they are needed",
				"feed", d.Feed, "kind", d.Kind, "why", d.Why, "rows", d.Rows, "bytes", d.Bytes)
		}
		n, err := s.store.TrimUnmapped(ctx, now.AddDate(0, 0, -s.settings.heldDays))
		switch {
		case err != nil && ctx.Err() == nil:
			s.log.Error("the rows with codes that nothing tells were not kept within their bounds; it is tried again", "error", err)
		case n > 0:
			s.log.Info("rows with codes that nothing tells were dropped: unmapped-max-bytes is the setting", "rows", n)
		}
	})
}

// startFHIR polls the FHIR server as often as the settings say; nil where there is none.
func startFHIR(ctx context.Context, s *site, w *ingest.Watcher, clock clinical.Clock) (*schedule, error) {
	if s.settings.fhirServer.URL == "" {
		return nil, nil
	}
	poller := &fhirpoll.Poller{
		Settings: s.settings.fhirServer, Receiver: s.loader, Bookmarks: s.store, Clock: clock, Log: s.log,
		Client: &http.Client{Timeout: fhirTimeout},
	}
	s.polled.start(clock())
	polls, err := s.startLeased(ctx, s.settings.fhirEvery, false, func(ctx context.Context) {
		s.polled.begin()
		err := poller.Poll(ctx)
		if ctx.Err() == nil {
			s.polled.end(clock(), err)
		}
		if err != nil && ctx.Err() == nil {
			s.log.Error("the FHIR server was not read to its end; it is tried again", "error", err)
		}
		s.stepEpisodes(ctx, w, clock())
	})
	if err != nil {
		return nil, usagef("fhir-every %q is not a schedule: %v; write @every 1m or a cron expression", s.settings.fhirEvery, err)
	}
	return polls, nil
}

// polled is how the polls of the FHIR server go.
type polled struct {
	mu    sync.Mutex
	at    time.Time // the last one ended, or the program started; zero: none is made
	ended bool      // one has
	runs  bool
	fault error // of the last one
}

// state is whether polls are made, and whether one has ended.
func (p *polled) state() (ended, made bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.ended, !p.at.IsZero()
}

// start is that the program has started, and will poll.
func (p *polled) start(now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.at = now
}

func (p *polled) begin() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.runs = true
}

func (p *polled) end(now time.Time, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.at, p.ended, p.runs, p.fault = now, true, false, err
}

// trouble says why the FHIR server is not read as it should be, "" if it is, or none is polled.
func (p *polled) trouble(every string, now time.Time) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.at.IsZero():
		return ""
	case p.fault != nil:
		return "the FHIR server was not read to its end: " + p.fault.Error()
	case !p.runs && overdue(every, p.at, now):
		return "the FHIR server has not been polled for " + text.Span(now.Sub(p.at))
	}
	return ""
}

// fhirTimeout is how long one request to the FHIR server may take.
const fhirTimeout = 5 * time.Minute

// stop waits for a look that is under way. A schedule that was never needed is nil.
func (s *schedule) stop() {
	if s == nil {
		return
	}
	s.cancel()
	s.begun.Wait()
}

// cronLog hands the schedule's messages to the log.
type cronLog struct{ log *slog.Logger }

func (l cronLog) Info(string, ...any) {}

// Error is called for panics. It names the kind of the fault, and its words only
// where the runtime chose them: others may hold what a row held.
func (l cronLog) Error(err error, msg string, pairs ...any) {
	what := fmt.Sprintf("%T", err)
	if fault, ok := err.(runtime.Error); ok {
		what = fault.Error()
	}
	l.log.Error(fmt.Sprintf("schedule: %s", msg), append(pairs, "fault", what)...)
}
