package auth

import (
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"net/netip"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Store keeps accounts and sessions. Errors for what is not there carry
// clinical.NotFound, for a name or an identity that is taken clinical.Conflict.
type Store interface {
	Accounts(ctx context.Context) ([]records.Account, error)                   // by name
	AccountNamed(ctx context.Context, nameKey string) (records.Account, error) // by NameKey
	AccountOf(ctx context.Context, id records.Identity) (records.Account, error)
	AddAccount(ctx context.Context, nameKey string, a records.Account) (records.Account, error)
	// ChangeAccount lets change alter one account, in one transaction in which no
	// other account changes; all holds every account.
	ChangeAccount(ctx context.Context, id int64, change func(a *records.Account, all []records.Account) error) (records.Account, error)
	AddSession(ctx context.Context, s records.Session) error
	SessionOf(ctx context.Context, tokenHash []byte) (records.Session, records.Account, error)
	TouchSession(ctx context.Context, tokenHash []byte, at time.Time) error
	EndSession(ctx context.Context, tokenHash []byte) error
	// DropSessions drops the sessions last used, or started, before these moments, and those
	// with a time after the last one.
	DropSessions(ctx context.Context, usedBefore, startedBefore, after time.Time) error
	// Key returns the server's key of a name, and keeps fresh under it if there is none.
	Key(ctx context.Context, name string, fresh []byte) ([]byte, error)
}

// AbsoluteLimit is how long a session lasts at most: a long shift.
const AbsoluteLimit = 12 * time.Hour

// DefaultIdle is how long a session lasts without use unless the site sets it.
const DefaultIdle = 15 * time.Minute

// oneTimeLimit is how long a password that was made for somebody opens the account.
const oneTimeLimit = 72 * time.Hour

// Service signs in and out and changes accounts. Every change of what an account
// may do, of its password or of its state ends all of its sessions.
type Service struct {
	Store  Store
	Hasher *Hasher
	Rules  Rules
	Limits *Limits
	Clock  clinical.Clock
	// Steady runs evenly, whatever is done to the machine's clock. Nil: Clock.
	Steady clinical.Clock
	Idle   time.Duration // sign-off without use; zero: DefaultIdle
	Log    *slog.Logger

	mu    sync.Mutex
	keys  map[string][]byte // of the server, by name
	dummy string
}

// IdleLimit is how long a session lasts without use.
func (s *Service) IdleLimit() time.Duration {
	if s.Idle > 0 {
		return s.Idle
	}
	return DefaultIdle
}

// clockLeeway is how far the times of a session may lie ahead: the clocks of several
// instances differ a little (common practice, no source).
const clockLeeway = 2 * time.Minute

// ahead reports whether a session was begun or used by a clock that ran ahead and was put
// right since: nobody knows how old it is.
func ahead(s records.Session, now time.Time) bool {
	latest := now.Add(clockLeeway)
	return s.StartedAt.After(latest) || s.UsedAt.After(latest)
}

// touchEvery is how old the last use on record may be before it is written anew.
func (s *Service) touchEvery() time.Duration { return min(time.Minute, s.IdleLimit()/15) }

// SignIn is what a browser sends to sign in.
type SignIn struct {
	Name, Password string
	Address        netip.Addr
	Marks          string // the browser's marks of accounts
	Token          string // of the session that the browser has now; "" for none
}

// Signed is what a browser gets for it.
type Signed struct {
	Account records.Account
	Token   string
	Marks   string
}

// SignIn checks name and password and begins a session under a new token; the one
// that the browser had ends. The error is a *WaitError for an attempt that comes
// too early, and carries clinical.Invalid where name and password do not fit. An
// unknown name, a wrong password and a disabled account are answered alike and
// after the same work.
func (s *Service) SignIn(ctx context.Context, in SignIn) (Signed, error) {
	key, err := s.key(ctx, markKey)
	if err != nil {
		return Signed{}, err
	}
	right, err := s.begin(Attempt{in.Name, in.Address, markFor(key, in.Name, in.Marks)})
	if err != nil {
		return Signed{}, err
	}
	a, err := s.verify(ctx, in.Name, in.Password)
	if err != nil {
		return Signed{}, err
	}
	right()
	token, err := s.open(ctx, a, in.Token)
	if err != nil {
		return Signed{}, err
	}
	return Signed{a, token, withMark(key, a.Name, in.Marks, newMark(key, a.Name))}, nil
}

// steady is the moment by a clock for spans.
func steady(even, machine clinical.Clock) time.Time {
	if even == nil {
		return machine()
	}
	return even()
}

// begin counts an attempt, and says once in the log when many guess at an account.
func (s *Service) begin(at Attempt) (right func(), err error) {
	now := steady(s.Steady, s.Clock)
	before := s.Limits.Crowded(at.Name, now)
	right, err = s.Limits.Begin(at, now)
	if !before && s.Limits.Crowded(at.Name, now) && s.Log != nil {
		s.Log.Warn("many wrong passwords for one account; see docs/accounts.md", "wrong_within_the_hour", crowd)
	}
	return right, err
}

func (s *Service) verify(ctx context.Context, name, password string) (records.Account, error) {
	a, err := s.Store.AccountNamed(ctx, NameKey(name))
	known := err == nil
	if err != nil && clinical.CodeOf(err) != clinical.NotFound {
		return a, err
	}
	hash := a.Password
	if hash == "" {
		known = false
		if hash, err = s.dummyHash(ctx); err != nil {
			return a, err
		}
	}
	right, stale, err := s.Hasher.Check(ctx, hash, cutPassword(password))
	switch {
	case err != nil:
		return a, err
	case !known || !right || a.Disabled():
		return a, errWrong
	case a.OneTime && s.Clock().Sub(a.PasswordSetAt).Abs() > oneTimeLimit:
		return a, errWrong
	case stale:
		return s.rehash(ctx, a, password)
	}
	return a, nil
}

// cutPassword bounds the work for what cannot be a password: it is compared and
// found wrong.
func cutPassword(p string) string {
	if len(p) > 4*MaxPassword {
		return p[:4*MaxPassword] // no password on record is that long
	}
	return p
}

// dummyHash is compared with for names that are not known, so that the time of the
// answer does not tell.
func (s *Service) dummyHash(ctx context.Context) (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.dummy == "" {
		hash, err := s.Hasher.Hash(ctx, rand.Text())
		if err != nil {
			return "", err
		}
		s.dummy = hash
	}
	return s.dummy, nil
}

// rehash brings the hash of a password that was right to the cost of today.
func (s *Service) rehash(ctx context.Context, a records.Account, password string) (records.Account, error) {
	hash, err := s.Hasher.Hash(ctx, password)
	if err != nil {
		return a, err
	}
	was := a.Password
	return s.Store.ChangeAccount(ctx, a.ID, func(a *records.Account, _ []records.Account) error {
		if a.Password == was && !a.FromService() { // not changed in the meantime
			a.Password = hash
		}
		return nil
	})
}

// open begins a session, ends the one before it, and drops those that have lapsed.
func (s *Service) open(ctx context.Context, a records.Account, before string) (token string, err error) {
	now := s.Clock()
	token = NewToken()
	err = s.Store.AddSession(ctx, records.Session{TokenHash: HashToken(token), AccountID: a.ID, Epoch: a.Epoch, StartedAt: now, UsedAt: now})
	if err == nil && before != "" {
		err = s.Store.EndSession(ctx, HashToken(before))
	}
	if err == nil {
		err = s.Store.DropSessions(ctx, now.Add(-s.IdleLimit()), now.Add(-AbsoluteLimit), now.Add(clockLeeway))
	}
	return token, err
}

// key is the server's key of a name, made at its first use.
func (s *Service) key(ctx context.Context, name string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if key := s.keys[name]; key != nil {
		return key, nil
	}
	fresh := make([]byte, serverKeyLength)
	_, _ = rand.Read(fresh) // never fails
	key, err := s.Store.Key(ctx, name, fresh)
	if err == nil {
		if s.keys == nil {
			s.keys = map[string][]byte{}
		}
		s.keys[name] = key
	}
	return key, err
}

// Resolve returns the account whose session a token is. The error carries
// clinical.NotFound for a token of none, or of one that has ended: by sign-out, by
// idleness, by age, by a change of the account. A quiet request is one that nobody
// asked for by hand, such as a page that fetches itself anew: it is no use of the
// session, unless nobody ever touches the screen.
func (s *Service) Resolve(ctx context.Context, token string, quiet bool) (records.Account, error) {
	ended := clinical.Errorf(clinical.NotFound, "there is no such session, or it has ended")
	if token == "" {
		return records.Account{}, ended
	}
	hash := HashToken(token)
	session, a, err := s.Store.SessionOf(ctx, hash)
	if err != nil {
		return records.Account{}, err
	}
	now := s.Clock()
	if session.Epoch != a.Epoch || a.Disabled() || ahead(session, now) ||
		now.Sub(session.StartedAt) >= AbsoluteLimit || now.Sub(session.UsedAt) >= s.IdleLimit() {
		return records.Account{}, ended
	}
	if (!quiet || a.Unattended()) && now.Sub(session.UsedAt) >= s.touchEvery() {
		err = briefly(ctx, func(brief context.Context) error { return s.Store.TouchSession(brief, hash, now) })
	}
	return a, err
}

// usePatience is how long a request waits for its use to be noted. On SQLite a
// file that is being loaded holds up every other write; the use is noted with one
// of the next requests instead.
const usePatience = 200 * time.Millisecond

func briefly(ctx context.Context, note func(context.Context) error) error {
	brief, cancel := context.WithTimeout(ctx, usePatience)
	defer cancel()
	err := note(brief)
	if err != nil && brief.Err() != nil {
		return ctx.Err()
	}
	return err
}

// SignOut ends the session of a token.
func (s *Service) SignOut(ctx context.Context, token string) error {
	return s.Store.EndSession(ctx, HashToken(token))
}

// SignOutEverywhere ends every session of an account.
func (s *Service) SignOutEverywhere(ctx context.Context, id int64) error {
	_, err := s.change(ctx, id, func(*records.Account, []records.Account) error { return nil })
	return err
}

// change alters an account and ends its sessions.
func (s *Service) change(
	ctx context.Context, id int64, change func(a *records.Account, all []records.Account) error,
) (records.Account, error) {
	return s.Store.ChangeAccount(ctx, id, func(a *records.Account, all []records.Account) error {
		if err := change(a, all); err != nil {
			return err
		}
		a.Epoch++
		return nil
	})
}

// ChangePassword sets a new password for the one who knows the current one. Every
// session of the account ends; the browser that asked gets a new one.
func (s *Service) ChangePassword(ctx context.Context, a records.Account, token, current, password string) (fresh string, err error) {
	if a.FromService() {
		return "", errNoPassword
	}
	right, err := s.begin(Attempt{Name: a.Name, Mark: "session " + string(HashToken(token))})
	if err != nil {
		return "", err
	}
	ok, _, err := s.Hasher.Check(ctx, a.Password, cutPassword(current))
	if err != nil {
		return "", err
	}
	if !ok {
		return "", ErrCurrent
	}
	right()
	if password == current {
		return "", clinical.Errorf(clinical.Invalid, "the new password is the current one; choose another one")
	}
	if a, err = s.setPassword(ctx, a, password, false); err != nil {
		return "", err
	}
	return s.open(ctx, a, token)
}

// ErrCurrent says that the current password is not right.
var ErrCurrent = errors.New("the current password is not right")

func (s *Service) setPassword(ctx context.Context, a records.Account, password string, oneTime bool) (records.Account, error) {
	if a.FromService() {
		return a, errNoPassword
	}
	if err := s.Rules.Check(password, a.Name); err != nil {
		return a, err
	}
	hash, err := s.Hasher.Hash(ctx, password)
	if err != nil {
		return a, err
	}
	return s.change(ctx, a.ID, func(a *records.Account, _ []records.Account) error {
		if a.FromService() { // since it was read
			return errNoPassword
		}
		a.Password, a.PasswordSetAt, a.OneTime = hash, s.Clock(), oneTime
		return nil
	})
}
