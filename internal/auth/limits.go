package auth

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"net/netip"
	"slices"
	"sync"
	"time"

	"plumbline/internal/clinical"
)

// Limits slow down guessing. Nothing is ever locked: after some wrong passwords
// the next attempt has to wait, longer each time, up to a bound.
//
// Wrong passwords are counted by what cannot be used against others:
//
//   - a browser that has signed in to the account before is counted by itself, so
//     no stranger can make it wait;
//   - every other attempt is counted by address and account together, and by
//     address alone over all accounts;
//   - and by account over all addresses. Where that count is high (many addresses
//     guess at one account) an address has one attempt in place of several before
//     it has to wait. The first attempt of an address is always heard.
//
// The counts are kept in memory, for one instance of the program, and at most
// maxCounts of them. The moments given are of a clock that runs evenly
// (clinical.SteadyClock): a machine's clock that is set back a day must not make the right
// password wait for one. Where one goes back all the same, a count starts anew from there.
type Limits struct {
	mu     sync.Mutex
	counts map[countKey]count
}

type countKey [16]byte

type count struct {
	wrong int
	last  time.Time
	told  bool // somebody was told to wait for it since the last wrong one
}

// Bounds of guessing; common practice, no source gives the figures.
const (
	freeOfPair     = 5                // wrong passwords before an address waits for an account
	freeOfAddress  = 30               // and for all accounts: a ward may share an address
	freeOfMark     = 10               // and before a known browser does
	freeOfTokens   = 100              // wrong tokens before an address is told to wait: they cannot be guessed
	crowd          = 100              // wrong passwords for an account that show a guess from many addresses
	maxDelay       = time.Minute      // between two attempts
	crowdDelay     = 5 * time.Minute  // the same, while many guess at the account
	forgetAfter    = 15 * time.Minute // a count without a new wrong password
	forgetAccounts = time.Hour        // the same for the count of an account
	maxCounts      = 50_000           // some 5 MB
)

// Attempt is one attempt to sign in.
type Attempt struct {
	Name    string     // as typed
	Address netip.Addr // of the client
	Mark    string     // of a browser that signed in to the account before; "" for none
}

// WaitError says that an attempt comes too early. The password was not looked at.
type WaitError struct {
	For   time.Duration
	Again bool // the same was said already, since the last attempt that was counted
}

func (e *WaitError) Error() string {
	return fmt.Sprintf("too many wrong passwords; wait %d s and try again", e.Seconds())
}

// Seconds is the time to wait, at least 1.
func (e *WaitError) Seconds() int { return max(1, int((e.For+time.Second-1)/time.Second)) }

// keysOf an attempt: of address and account or of the known browser, then those
// of the address and of the account, which a known browser does not touch.
func keysOf(a Attempt) (own, address, account countKey) {
	name, from := NameKey(a.Name), network(a.Address)
	if a.Mark != "" {
		return keyOf("mark", name, a.Mark), countKey{}, countKey{}
	}
	return keyOf("pair", name, from), keyOf("address", from), keyOf("account", name)
}

// keyOf cuts a hash: what people type takes no more room than this.
func keyOf(parts ...string) (k countKey) {
	sum := sha256.Sum256(fmt.Appendf(nil, "%q", parts))
	copy(k[:], sum[:])
	return k
}

// network is the address, or for IPv6 the network that one subscriber is given.
func network(a netip.Addr) string {
	a = a.Unmap()
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}

// Begin counts an attempt as wrong before the password is looked at, so that many
// at once are not let through together; call right where it was not. The error is
// a *WaitError for an attempt that comes too early, which is not counted.
func (l *Limits) Begin(a Attempt, now time.Time) (right func(), err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	own, address, account := keysOf(a)
	wait, why := l.wait(own, freeOfMark, maxDelay, now), own
	if a.Mark == "" {
		free, delay := freeOfPair, maxDelay
		if l.at(account, forgetAccounts, now).wrong >= crowd {
			free, delay = 1, crowdDelay
		}
		wait = l.wait(own, free, delay, now)
		if of := l.wait(address, freeOfAddress, maxDelay, now); of > wait {
			wait, why = of, address
		}
	}
	if wait > 0 {
		return nil, &WaitError{wait, l.tell(why)}
	}
	l.add(own, forgetAfter, now, 1)
	if a.Mark == "" {
		l.add(address, forgetAfter, now, 1)
		l.add(account, forgetAccounts, now, 1)
	}
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		delete(l.counts, own)
		if a.Mark == "" { // the counts of others' mistakes stay
			l.add(address, forgetAfter, now, -1)
			l.add(account, forgetAccounts, now, -1)
		}
	}, nil
}

// WrongToken counts a wrong token of an address. The error is a *WaitError where too
// many came from there lately; that one is not counted. A right token is never asked
// for here, so nobody's mistakes shut it out.
func (l *Limits) WrongToken(from netip.Addr, now time.Time) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	k := keyOf("token", network(from))
	if wait := l.wait(k, freeOfTokens, maxDelay, now); wait > 0 {
		return &WaitError{wait, l.tell(k)}
	}
	l.add(k, forgetAfter, now, 1)
	return nil
}

// Crowded reports whether many wrong passwords were given for an account lately.
func (l *Limits) Crowded(name string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at(keyOf("account", NameKey(name)), forgetAccounts, now).wrong >= crowd
}

func (l *Limits) at(k countKey, keep time.Duration, now time.Time) count {
	c := l.counts[k]
	if now.Sub(c.last) > keep {
		return count{}
	}
	if c.last.After(now) && c.wrong > 0 {
		c.last = now
		l.counts[k] = c
	}
	return c
}

// wait is how long an attempt must still wait: 1 s after the last free one, twice
// as long after each further one.
func (l *Limits) wait(k countKey, free int, bound time.Duration, now time.Time) time.Duration {
	c := l.at(k, forgetAfter, now)
	if c.wrong < free {
		return 0
	}
	delay := bound
	if over := c.wrong - free; over < 10 {
		delay = min(bound, time.Second<<over)
	}
	if free == 1 {
		delay = bound
	}
	return c.last.Add(delay).Sub(now)
}

// tell notes that somebody is told to wait for a count, and reports whether that was so
// already.
func (l *Limits) tell(k countKey) (again bool) {
	c := l.counts[k] // there is one, for it makes wait
	again, c.told = c.told, true
	l.counts[k] = c
	return again
}

func (l *Limits) add(k countKey, keep time.Duration, now time.Time, n int) {
	c := l.at(k, keep, now)
	c.wrong = max(0, c.wrong+n)
	if n > 0 || c.last.IsZero() {
		c.last, c.told = now, false
	}
	if c.wrong == 0 {
		delete(l.counts, k)
		return
	}
	if l.counts == nil {
		l.counts = map[countKey]count{}
	}
	if _, held := l.counts[k]; !held && len(l.counts) >= maxCounts {
		l.drop(now)
	}
	l.counts[k] = c
}

// drop makes room: what is forgotten anyway, and if need be the oldest quarter.
func (l *Limits) drop(now time.Time) {
	type held struct {
		key  countKey
		last time.Time
	}
	var all []held
	for k, c := range l.counts {
		if now.Sub(c.last) > forgetAccounts {
			delete(l.counts, k)
		} else {
			all = append(all, held{k, c.last})
		}
	}
	if len(l.counts) < maxCounts {
		return
	}
	slices.SortFunc(all, func(a, b held) int { return cmp.Or(a.last.Compare(b.last), slices.Compare(a.key[:], b.key[:])) })
	for _, h := range all[:maxCounts/4] {
		delete(l.counts, h.key)
	}
}

// errWrong is the one answer to a sign-in that fails, whatever the reason.
var errWrong = clinical.Errorf(clinical.Invalid, "the name or the password is not right")
