package app

import (
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/store"
)

// leaseName is the lease of all that only one of several instances does: reading the feed folder,
// polling, reading held rows again, stepping the episodes, telling.
const leaseName = "feeds"

// leaseTimes are the times of the lease. An instance that is killed gives way within lasts and every;
// one that does not reach the database stops margin before another can begin.
type leaseTimes struct {
	lasts, every, margin time.Duration
	patience             time.Duration // how long the database may take to answer
}

var leaseBy = leaseTimes{ // tests make them shorter
	lasts: 15 * time.Second, every: 4 * time.Second, margin: 3 * time.Second, patience: 3 * time.Second,
}

// lease is this instance's part in the lease. A nil one is of a program alone.
type lease struct {
	store  *store.Store
	owner  string
	steady clinical.Clock
	log    *slog.Logger
	say    func() records.FeedsSaid // what the others are to know; nil: nothing

	mu     sync.Mutex
	state  records.Lease // as of the last answer
	known  time.Time     // of that answer, by steady; zero: none yet
	term   context.Context
	over   context.CancelFunc // ends term
	ends   *time.Timer
	gained []func() // what begins at once where the lease comes to this instance

	stopping context.CancelFunc
	done     chan struct{}
}

// startLease asks for the lease, and goes on asking for it or putting off its end until stopped.
func startLease(ctx context.Context, s *site) *lease {
	host, _ := os.Hostname()
	l := &lease{
		store: s.store, owner: fmt.Sprintf("%s:%d:%s", host, os.Getpid(), rand.Text()[:6]),
		steady: clinical.SteadyClock, log: s.log, done: make(chan struct{}),
	}
	l.look(ctx)
	ctx, l.stopping = context.WithCancel(context.WithoutCancel(ctx))
	go func() {
		defer close(l.done)
		every := time.NewTicker(leaseBy.every)
		defer every.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-every.C:
				l.look(ctx)
			}
		}
	}()
	return l
}

// stop gives the lease back. What runs under it has been stopped by then.
func (l *lease) stop() {
	l.stopping()
	<-l.done
	l.lose()
	ctx, cancel := context.WithTimeout(context.Background(), leaseBy.patience)
	defer cancel()
	if err := l.store.EndLease(ctx, leaseName, l.owner); err != nil {
		l.log.Warn("the lease was not given back; another instance takes it when it ends", "error", err)
	}
}

// look asks for the lease once.
func (l *lease) look(ctx context.Context) {
	asked := l.steady() // the lease lasts from later on
	ctx, cancel := context.WithTimeout(ctx, leaseBy.patience)
	defer cancel()
	var said records.FeedsSaid
	l.mu.Lock()
	say := l.say
	l.mu.Unlock()
	if say != nil {
		said = say()
	}
	state, err := l.store.TakeLease(ctx, leaseName, l.owner, leaseBy.lasts, said)
	if err != nil {
		l.log.Warn("the lease could not be asked for", "error", err)
		return // a term that is not put off ends by itself
	}
	l.mu.Lock()
	was := l.state
	l.state, l.known = state, asked
	l.mu.Unlock()
	switch {
	case !state.Mine:
		l.lose()
		if state.Owner != was.Owner {
			l.log.Info("another instance reads the feeds", "owner", state.Owner)
		}
	case l.extend(asked.Add(leaseBy.lasts-leaseBy.margin), state):
		l.log.Info("this instance reads the feeds", "owner", l.owner, "fence", state.Fence)
	}
}

// extend puts off the end of the term to a moment, and begins one where there is none.
func (l *lease) extend(end time.Time, state records.Lease) (begun bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	left := end.Sub(l.steady())
	if left <= 0 { // the answer came too late
		return false
	}
	if l.term != nil && l.term.Err() == nil {
		if l.ends.Stop() {
			l.ends.Reset(left)
			return false
		}
	}
	term, over := context.WithCancel(store.UnderLease(context.Background(), leaseName, state))
	l.term, l.over = term, over
	l.ends = time.AfterFunc(left, over)
	for _, begin := range l.gained {
		go begin()
	}
	return true
}

// lose ends the term, and what runs under it.
func (l *lease) lose() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.over != nil {
		l.ends.Stop()
		l.over()
	}
}

// held is the term, nil where this instance has not the lease.
func (l *lease) held() context.Context {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.term == nil || l.term.Err() != nil {
		return nil
	}
	return l.term
}

// only is a job that runs where this instance has the lease, and is stopped when it has not.
func (l *lease) only(job func(context.Context)) func(context.Context) {
	if l == nil {
		return job
	}
	return func(ctx context.Context) {
		term := l.held()
		if term == nil {
			return
		}
		under, cancel := context.WithCancel(term)
		defer cancel()
		defer context.AfterFunc(ctx, cancel)()
		job(under)
	}
}

// tell has the others know what say says.
func (l *lease) tell(say func() records.FeedsSaid) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.say = say
}

// whenGained has something begin at once whenever the lease comes to this instance.
func (l *lease) whenGained(begin func()) {
	if l == nil {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.gained = append(l.gained, begin)
}

// standing is who has the lease as far as this instance knows. mine is also true of a program alone.
func (l *lease) standing() (state records.Lease, mine bool) {
	if l == nil {
		return records.Lease{}, true
	}
	held := l.held() != nil
	l.mu.Lock()
	defer l.mu.Unlock()
	state = l.state
	state.Mine = held
	if l.known.IsZero() || l.steady().Sub(l.known) > leaseBy.lasts {
		state.Running = false // nobody has told for longer than it lasts
	}
	return state, held
}
