package app

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"github.com/robfig/cron/v3"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/demo/deeds"
	"plumbline/internal/idp"
	"plumbline/internal/ingest"
	"plumbline/internal/notify"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web"
	"plumbline/internal/web/account"
	"plumbline/internal/web/bedside"
	"plumbline/internal/web/feeds"
	"plumbline/internal/web/parts"
	"plumbline/seed"
)

func serve(ctx context.Context, p process, args []string) error {
	s, rest, err := p.parse("serve", args, nil)
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("serve takes no argument %q", rest[0])
	}
	listener, err := listen(s)
	if err != nil {
		return err
	}
	return p.openAndRun(ctx, s, listener, nil)
}

// openAndRun opens the store, lets prepare make accounts to be shown, and serves
// until the end; the listener is closed by then, whatever happens.
func (p process) openAndRun(
	ctx context.Context, s settings, listener net.Listener,
	prepare func(*site, *auth.Service) ([]account.DemoAccount, error),
) error {
	defer func() { _ = listener.Close() }() // a second time, where the web server has closed it
	s.logLevel = cmp.Or(s.logLevel, "info")
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	accounts := p.newAccounts(site)
	var shown []account.DemoAccount
	if prepare != nil {
		if shown, err = prepare(site, accounts); err != nil {
			return err
		}
	}
	return p.run(ctx, site, listener, accounts, shown)
}

// demoUnit serves the invented unit on a fresh embedded database, its data laid so
// that the unit is as it is now.
func demoUnit(ctx context.Context, p process, args []string) error {
	var given *flag.FlagSet
	s, rest, err := p.parse("demo", args, func(fs *flag.FlagSet) { given = fs })
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return usagef("demo takes no argument %q", rest[0])
	}
	given.Visit(func(f *flag.Flag) {
		if slices.Contains([]string{"database", "feed-dir", "hospital"}, f.Name) {
			err = usagef("demo has a fresh database, a feed and a hospital of its own: leave --%s out, or use serve", f.Name)
		}
	})
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "plumbline-demo-")
	if err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	defer func() { _ = os.RemoveAll(dir) }()
	s.database, s.feedDir, s.hospital = filepath.Join(dir, "demo.db"), filepath.Join(dir, "feed"), demo.Hospital
	s.notify = notify.Settings{} // nobody is told of invented patients
	s.signIn, s.launches = idp.Settings{}, idp.Settings{}
	s.send = sendSettings{} // nor is anything of them sent
	now := p.clock()
	if err := writeDemoFeed(s.feedDir, now); err != nil {
		return err
	}
	if err := writeDemoPast(s.feedDir, now); err != nil {
		return err
	}
	if !onLoopback(s.listen) {
		return usagef("demo listens on this machine alone, for its passwords stand on its page: use --listen 127.0.0.1:8080, not %q", s.listen)
	}
	listener, err := listen(s)
	if err != nil && errors.Is(err, syscall.EADDRINUSE) {
		s.listen = "127.0.0.1:0" // somebody works on the usual port: take a free one
		listener, err = listen(s)
	}
	if err != nil {
		return err
	}
	return p.openAndRun(ctx, s, listener, func(site *site, a *auth.Service) ([]account.DemoAccount, error) {
		if err := site.checkDemoUnits(ctx, p.clock); err != nil {
			return nil, err
		}
		if err := site.liveDemo(ctx, p.clock()); err != nil {
			return nil, err
		}
		return demoAccounts(ctx, a)
	})
}

// liveDemo loads the demo's feed, and does what its people have done about it.
func (s *site) liveDemo(ctx context.Context, now time.Time) error {
	if _, err := s.loader.Load(ctx, []string{s.settings.feedDir}, "demo"); err != nil {
		return err
	}
	return deeds.Do(ctx, s.demoSite(), now)
}

// demoSite is the site as the people of the demo work on it.
func (s *site) demoSite() deeds.Site {
	return deeds.Site{Codes: s.codes, Owed: s.care(), Stays: s.service, Store: s.store, Zone: s.service.Zone}
}

func writeDemoFeed(dir string, now time.Time) error {
	files, err := seed.Files()
	if err != nil {
		return err
	}
	if files, err = seed.Shift(files, now); err != nil {
		return err
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	return writeFeedFiles(dir, files, now)
}

// writeDemoPast adds the months before the stories.
func writeDemoPast(dir string, now time.Time) error {
	return writeFeedFiles(dir, demo.Past(now.UTC().Truncate(time.Minute)), now)
}

func writeFeedFiles(dir string, files []demo.File, now time.Time) error {
	for _, f := range files {
		path := filepath.Join(dir, filepath.Base(f.Name))
		if err := os.WriteFile(path, f.Data, 0o600); err != nil {
			return fmt.Errorf("demo: %w", err)
		}
		old := now.Add(-time.Minute) // a whole file, not one still being written
		if err := os.Chtimes(path, old, old); err != nil {
			return fmt.Errorf("demo: %w", err)
		}
	}
	return nil
}

// Limits of one request; a page is made in milliseconds.
const (
	readTimeout     = 10 * time.Second
	writeTimeout    = 30 * time.Second
	idleTimeout     = 2 * time.Minute
	maxHeaderBytes  = 64 << 10
	shutdownTimeout = 10 * time.Second
)

// run reads the feed folder by the schedule and serves pages until ctx ends or
// the process is told to stop.
func (p process) run(ctx context.Context, s *site, listener net.Listener, accounts *auth.Service, shown []account.DemoAccount) error {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := s.keepPolicy(ctx, p.clock()); err != nil {
		return err
	}
	if err := s.warnWithoutAccounts(ctx, accounts); err != nil {
		return err
	}
	policies, err := startPolicies(ctx, s)
	if err != nil {
		return err
	}
	defer policies.stop()
	keeper := newKeeper(s)
	s.service.Behind = keeper.add
	defer keeper.close()
	records := newRecorder(s.store, s.log)
	defer records.close()

	defer startWriteChecks(ctx, s, p.clock)()
	s.lease = startLease(ctx, s)
	defer s.lease.stop()
	telling, err := startTelling(ctx, s, p.clock) // before the first step: what that opens is told
	if err != nil {
		return err
	}
	defer telling.stop()
	var watcher *ingest.Watcher
	if s.settings.feedDir != "" {
		watcher = &ingest.Watcher{
			Loader: s.loader, Dir: s.settings.feedDir, Settle: s.settings.feedSettle, Clock: p.clock, Log: s.log,
		}
		s.lease.tell(s.feedsSaid(watcher, p.clock))
		schedule, err := startSchedule(ctx, s, watcher)
		if err != nil {
			return err
		}
		defer schedule.stop()
	}
	polls, err := startFHIR(ctx, s, watcher, p.clock)
	if err != nil {
		return err
	}
	defer polls.stop()
	sending, err := startSending(ctx, s, p.clock)
	if err != nil {
		return err
	}
	defer sending.stop()
	trims, err := startTrims(ctx, s, p.clock)
	if err != nil {
		return err
	}
	defer trims.stop()
	retries, err := startRetries(ctx, s, watcher, p.clock)
	if err != nil {
		return err
	}
	defer retries.stop()
	episodes, err := startEpisodes(ctx, s, watcher, p.clock)
	if err != nil {
		return err
	}
	defer episodes.stop()
	counting, err := startCounting(ctx, s)
	if err != nil {
		return err
	}
	defer counting.stop()
	signIns, looking, err := startSignInService(ctx, s, p.clock)
	if err != nil {
		return err
	}
	defer looking.stop()
	launches, lookingAtRecord, err := startLaunches(ctx, s, p.clock)
	if err != nil {
		return err
	}
	defer lookingAtRecord.stop()
	serving := &http.Server{
		Handler: web.New(web.Deps{
			Answers: s.service, Policy: s.service.Policy, Policies: s.policies, Codes: s.codes, Checks: s.checks(p.clock), Watch: s.watch,
			Clock: p.clock, Zone: s.settings.zone, Version: Version,
			Hospital: s.settings.hospital, Log: s.log, Ready: func(ctx context.Context) error { return s.ready(ctx, watcher, p.clock()) },
			Lease:     s.leaseShown,
			DataState: s.store.DataState, Landed: s.store.LastLanded, Desk: &feeds.Desk{Rows: s.store, Loader: s.loader, Log: s.log},
			Sets:     bedside.Keeper{Loader: s.loader, Messages: s.store, Episodes: s.care(), Log: s.log},
			Episodes: s.care(), Accounts: accounts, Tokens: p.newTokens(s), Screens: p.newScreens(s), Demo: shown,
			SignInService: signIns, Launches: launches, TrustedProxies: s.settings.proxies,
			Note: records.Record, Audit: s.store.Audit, DoseReviews: s.store, Shift: s.store, UnitChanges: s.store, Outbox: s.toRecord(),
			Feeds: func(ctx context.Context) (parts.FeedHealth, error) { return s.feedHealth(ctx, watcher, p.clock()) },
		}),
		// What clients do wrong before there is a request, such as plain words to TLS: anybody can, at will.
		ErrorLog:    slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
		ReadTimeout: readTimeout, WriteTimeout: writeTimeout, IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeaderBytes,
	}
	messages, err := startHL7(ctx, s, p.clock)
	if err != nil {
		return err
	}
	defer messages.stop()
	failed := make(chan error, 1)
	scheme := "http"
	if s.settings.tlsCert != "" {
		scheme = "https"
		serving.TLSConfig = (&certificate{cert: s.settings.tlsCert, key: s.settings.tlsKey, clock: p.clock, log: s.log}).config()
		go func() { failed <- serving.ServeTLS(listener, "", "") }()
	} else {
		go func() { failed <- serving.Serve(listener) }()
	}
	_, _ = fmt.Fprintf(p.stdout, "open %s://%s/\n", scheme, listener.Addr())
	for _, a := range shown {
		_, _ = fmt.Fprintf(p.stdout, "sign-in %s %s %s\n", a.Role, a.Name, a.Password)
	}
	select {
	case err := <-failed:
		return fmt.Errorf("the web server stopped: %w", err)
	case <-ctx.Done():
	}
	s.log.Info("stopping")
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTimeout)
	defer cancel()
	return serving.Shutdown(last)
}

// ready tells whether pages can be trusted to be current: the database answers
// and the feeds are read, by this instance or another.
func (s *site) ready(ctx context.Context, w *ingest.Watcher, now time.Time) error {
	if err := s.store.Ping(ctx); err != nil {
		return err
	}
	if err := s.writes.trouble(); err != nil {
		return err
	}
	if c := s.clocks.trouble(now); c != nil && c.Waits {
		return errors.New("the last step of the episodes lies in the future, and nothing is opened or told until that " +
			"is passed over; check the clocks")
	}
	if trouble := s.trouble(w, now); trouble != "" {
		return errors.New(trouble)
	}
	return nil
}

// feedSilence is for how many of the schedule's own intervals a feed may go unread before it
// counts as failing.
const feedSilence = 5

// overdue reports whether a schedule that ran last at a moment has missed so many turns.
func overdue(schedule string, last, now time.Time) bool {
	every, err := cron.ParseStandard(schedule)
	if err != nil {
		return false // the schedule would not have started
	}
	for range feedSilence {
		last = every.Next(last)
	}
	return now.After(last)
}

// trouble says why the feeds are not read as they should be, "" if they are: by this instance, or
// by the one that has the lease as that tells it.
func (s *site) trouble(w *ingest.Watcher, now time.Time) string {
	if err := s.writes.trouble(); err != nil {
		return err.Error()
	}
	lease, mine := s.lease.standing()
	switch {
	case w == nil && s.settings.fhirServer.URL == "":
		return ""
	case mine:
		return cmp.Or(s.folderTrouble(w, now), s.polled.trouble(s.settings.fhirEvery, now))
	case !lease.Running:
		return "no instance has the lease to read the feeds"
	}
	return lease.Said.Trouble
}

// folderTrouble says why this instance does not read the feed folder as it should.
func (s *site) folderTrouble(w *ingest.Watcher, now time.Time) string {
	if w == nil {
		return ""
	}
	last := w.Last()
	switch {
	case last.Err != nil:
		return last.Err.Error()
	case last.At.IsZero():
		return "the feed folder has not been looked at yet"
	case overdue(s.settings.feedEvery, last.At, now):
		return "the schedule has not looked at the feed folder for " + text.Span(now.Sub(last.At))
	}
	return ""
}

// feedsSaid tells what the others are to know of the feeds that this instance reads. Whoever is only about
// to take the lease has not read yet, and that is no trouble: it begins at once.
func (s *site) feedsSaid(w *ingest.Watcher, clock clinical.Clock) func() records.FeedsSaid {
	return func() records.FeedsSaid {
		said := s.saidAt(w, clock())
		if _, mine := s.lease.standing(); !mine {
			said.Trouble = ""
		}
		return said
	}
}

func (s *site) saidAt(w *ingest.Watcher, now time.Time) records.FeedsSaid {
	said := records.FeedsSaid{
		Trouble: cmp.Or(s.folderTrouble(w, now), s.polled.trouble(s.settings.fhirEvery, now)),
	}
	if w != nil {
		last := w.Last()
		said.FolderAt, said.Growing, said.Refused = last.At, last.Growing, refusedFiles(last)
	}
	return said
}

// keepPolicy stores the policy in force under its hash, which every assessment
// carries.
func (s *site) keepPolicy(ctx context.Context, now time.Time) error {
	p := s.service.Policy.Current()
	return s.store.SavePolicy(ctx, p.Hash, policy.Short(p.Policy), now)
}

// keeper writes digests behind the answers: a page must not wait for a file
// that is being loaded.
type keeper struct {
	queue      chan []records.Digest
	stop, done chan struct{}
}

// keepQueue is how many answers' digests may wait to be written; more are
// dropped, and made again when they are next needed.
const keepQueue = 64

func newKeeper(s *site) *keeper {
	k := &keeper{queue: make(chan []records.Digest, keepQueue), stop: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(k.done)
		for {
			select {
			case digests := <-k.queue:
				if err := s.store.SaveDigests(context.Background(), digests); err != nil {
					s.log.Warn("digests were not kept; they are made again when needed", "error", err)
				}
			case <-k.stop:
				return
			}
		}
	}()
	return k
}

func (k *keeper) add(digests []records.Digest) {
	select {
	case k.queue <- digests:
	default:
	}
}

// close waits for what is being written; an answer that is still being given may
// add to the queue afterwards, and is not kept.
func (k *keeper) close() {
	close(k.stop)
	<-k.done
}
