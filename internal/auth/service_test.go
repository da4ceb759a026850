package auth_test

import (
	"errors"
	"fmt"
	"net/netip"
	"runtime"
	"testing"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

const password = "four invented words here"

type world struct {
	*auth.Service
	store *store.Store
	now   time.Time
}

// cheap hashes passwords at next to no cost: tests hash often and keep nothing.
func cheap() *auth.Hasher {
	return &auth.Hasher{Cost: auth.Cost{MemoryKiB: 8, Passes: 1, Lanes: 1}}
}

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{store: teststore.Empty(t), now: time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)}
	w.Service = &auth.Service{Store: w.store, Hasher: cheap(), Limits: &auth.Limits{}, Clock: func() time.Time { return w.now }}
	return w
}

func (w *world) add(t *testing.T, name string, roles ...records.Role) records.Account {
	t.Helper()
	a, err := w.Add(t.Context(), name, password, auth.Grants{Roles: roles, Units: []string{"4W"}}, false)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func (w *world) signIn(t *testing.T, name, password string) (auth.Signed, error) {
	t.Helper()
	return w.SignIn(t.Context(), auth.SignIn{Name: name, Password: password, Address: netip.MustParseAddr("10.0.0.1")})
}

func (w *world) mustSignIn(t *testing.T, name string) auth.Signed {
	t.Helper()
	s, err := w.signIn(t, name, password)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func (w *world) lives(t *testing.T, token string) bool {
	t.Helper()
	_, err := w.Resolve(t.Context(), token, true)
	if err != nil && clinical.CodeOf(err) != clinical.NotFound {
		t.Fatal(err)
	}
	return err == nil
}

func TestSignIn(t *testing.T) {
	w := newWorld(t)
	w.add(t, "ann", records.FallsNurse)
	off := w.add(t, "off", records.FallsNurse)
	if _, err := w.Disable(t.Context(), off.ID, true); err != nil {
		t.Fatal(err)
	}
	s := w.mustSignIn(t, "ANN")
	a, err := w.Resolve(t.Context(), s.Token, false)
	if err != nil || a.Name != "ann" || !a.May(records.ViewStay) || !a.OnUnit("4W") || a.OnUnit("7E") {
		t.Errorf("the session is of %+v, %v", a, err)
	}
	var said []string
	for _, try := range [][2]string{{"ann", "wrong wrong wrong"}, {"nobody", password}, {"off", password}, {"", ""}} {
		_, err := w.signIn(t, try[0], try[1])
		if clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("sign-in as %q: %v", try[0], err)
		}
		said = append(said, err.Error())
	}
	for _, text := range said {
		if text != said[0] {
			t.Errorf("the reasons can be told apart: %q", said)
			break
		}
	}
	if w.lives(t, "") || w.lives(t, auth.NewToken()) || w.lives(t, string(auth.HashToken(s.Token))) {
		t.Error("a token of no session opens one")
	}
}

// What a sign-in costs is the memory that its hash goes over: a name that is not
// there is hashed like one that is, once. Time would tell it too, on a quiet machine.
func TestUnknownNamesCostTheSame(t *testing.T) {
	const hashKiB = 4096
	w := newWorld(t)
	w.Hasher = &auth.Hasher{Cost: auth.Cost{MemoryKiB: hashKiB, Passes: 2, Lanes: 1}}
	w.add(t, "ann", records.FallsNurse)
	taken := func(name string) float64 { // in hashes
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, _ = w.SignIn(t.Context(), auth.SignIn{Name: name, Password: "x", Address: netip.AddrFrom4([4]byte{10, 0, 1, 1})})
		runtime.ReadMemStats(&after)
		return float64(after.TotalAlloc-before.TotalAlloc) / (hashKiB << 10)
	}
	taken("nobody") // what wrong passwords are held against is made once, at the first name that is not there
	for _, name := range []string{"ann", "nobody", "eve"} {
		if n := taken(name); n < 1 || n > 1.5 {
			t.Errorf("the sign-in of %s took the memory of %.2f hashes, want 1", name, n)
		}
	}
}

func TestASessionIsNewAtEverySignIn(t *testing.T) {
	w := newWorld(t)
	w.add(t, "ann", records.FallsNurse)
	first := w.mustSignIn(t, "ann")
	second, err := w.SignIn(t.Context(), auth.SignIn{Name: "ann", Password: password, Token: first.Token, Marks: first.Marks})
	if err != nil || second.Token == first.Token {
		t.Fatalf("the second sign-in: %v, the same token: %v", err, second.Token == first.Token)
	}
	if w.lives(t, first.Token) || !w.lives(t, second.Token) {
		t.Error("the session of before lives, or the new one does not")
	}
	// A token that an attacker planted is never taken up.
	planted := auth.NewToken()
	third, err := w.SignIn(t.Context(), auth.SignIn{Name: "ann", Password: password, Token: planted})
	if err != nil || third.Token == planted || w.lives(t, planted) {
		t.Errorf("a planted token lives, %v", err)
	}
}

func TestSessionsEnd(t *testing.T) {
	w := newWorld(t)
	w.add(t, "ann", records.FallsNurse)
	s := w.mustSignIn(t, "ann")
	use := func(after time.Duration, quiet bool) bool {
		w.now = w.now.Add(after)
		_, err := w.Resolve(t.Context(), s.Token, quiet)
		return err == nil
	}
	for range 2 {
		if !use(14*time.Minute, false) {
			t.Error("a session in use ended")
		}
	}
	if !use(14*time.Minute, true) || use(2*time.Minute, true) {
		t.Error("a page that fetches itself keeps a session alive, or ends it early")
	}
	s = w.mustSignIn(t, "ann")
	if use(15*time.Minute, false) {
		t.Error("a session outlives 15 minutes without use")
	}
	s = w.mustSignIn(t, "ann")
	for n := range 72 { // 10 minutes each
		if alive := use(10*time.Minute, false); alive != (n < 71) {
			t.Fatalf("after %d minutes of use the session lives: %v", (n+1)*10, alive)
		}
	}
	w.Idle = time.Hour
	s = w.mustSignIn(t, "ann")
	if !use(59*time.Minute, false) || use(time.Hour, false) {
		t.Error("the site's own limit does not hold")
	}
	s = w.mustSignIn(t, "ann")
	if err := w.SignOut(t.Context(), s.Token); err != nil || w.lives(t, s.Token) {
		t.Errorf("signed out and alive, %v", err)
	}
	if n := teststore.Count(t, w.store, "sessions"); n > 2 {
		t.Errorf("%d sessions are kept, those that have lapsed among them", n)
	}
}

// Nobody touches a display: that its page fetches itself is its use.
func TestADisplayStaysSignedIn(t *testing.T) {
	w := newWorld(t)
	w.add(t, "wall", records.Screen)
	s := w.mustSignIn(t, "wall")
	for range 60 {
		w.now = w.now.Add(time.Minute)
		if _, err := w.Resolve(t.Context(), s.Token, true); err != nil {
			t.Fatalf("after %s: %v", w.now, err)
		}
	}
	w.now = w.now.Add(15 * time.Minute)
	if w.lives(t, s.Token) {
		t.Error("a display that asks for nothing stays signed in")
	}
}

func TestChangesEndEverySession(t *testing.T) {
	w := newWorld(t)
	w.add(t, "root", records.Administrator)
	a := w.add(t, "ann", records.FallsNurse)
	other := w.mustSignIn(t, "root")
	for name, change := range map[string]func() error{
		"roles": func() error {
			_, err := w.SetGrants(t.Context(), a.ID, auth.Grants{Roles: []records.Role{records.Pharmacist}, Units: []string{"7E"}})
			return err
		},
		"password":            func() error { _, err := w.SetPassword(t.Context(), a, password, false); return err },
		"sign out everywhere": func() error { return w.SignOutEverywhere(t.Context(), a.ID) },
		"disabled and enabled": func() error {
			_, err := w.Disable(t.Context(), a.ID, false)
			if err == nil {
				_, err = w.Enable(t.Context(), a.ID)
			}
			return err
		},
	} {
		one, two := w.mustSignIn(t, "ann"), w.mustSignIn(t, "ann")
		if err := change(); err != nil {
			t.Fatal(err)
		}
		if w.lives(t, one.Token) || w.lives(t, two.Token) {
			t.Errorf("%s: a session lives on", name)
		}
		if !w.lives(t, other.Token) {
			t.Fatalf("%s: the session of another account ended", name)
		}
	}
	now, err := w.Named(t.Context(), "Ann")
	if err != nil || now.May(records.RecordSet) || !now.May(records.ReviewDoses) || now.OnUnit("4W") || !now.OnUnit("7E") {
		t.Errorf("the account is %+v, %v", now, err)
	}
}

func TestChangePassword(t *testing.T) {
	w := newWorld(t)
	w.add(t, "ann", records.FallsNurse)
	s, elsewhere := w.mustSignIn(t, "ann"), w.mustSignIn(t, "ann")
	change := func(current, fresh string) (string, error) {
		return w.ChangePassword(t.Context(), s.Account, s.Token, current, fresh)
	}
	if _, err := change("wrong wrong wrong", "another four words"); !errors.Is(err, auth.ErrCurrent) {
		t.Errorf("a wrong current password: %v", err)
	}
	for _, bad := range []string{"short", password} {
		if _, err := change(password, bad); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("new password %q: %v", bad, err)
		}
	}
	if !w.lives(t, s.Token) {
		t.Fatal("a change that was refused ended the session")
	}
	fresh, err := change(password, "another four words")
	if err != nil || !w.lives(t, fresh) || w.lives(t, s.Token) || w.lives(t, elsewhere.Token) {
		t.Errorf("after the change: %v, or the sessions are not as they should be", err)
	}
	if _, err := w.signIn(t, "ann", password); err == nil {
		t.Error("the old password still opens the account")
	}
	if _, err := w.signIn(t, "ann", "another four words"); err != nil {
		t.Errorf("the new password: %v", err)
	}
	s, err = w.signIn(t, "ann", "another four words")
	if err != nil {
		t.Fatal(err)
	}
	for range 11 {
		_, err = change("wrong wrong wrong", "yet another four words")
	}
	var wait *auth.WaitError
	if !errors.As(err, &wait) {
		t.Errorf("guessing the current password in an open session: %v", err)
	}
}

func TestOneTimePasswordsLapse(t *testing.T) {
	w := newWorld(t)
	a, err := w.Add(t.Context(), "ann", password, auth.Grants{Roles: []records.Role{records.FallsNurse}, AllUnits: true}, true)
	if err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(72 * time.Hour)
	s := w.mustSignIn(t, "ann")
	if !s.Account.OneTime {
		t.Error("the account does not say that its password serves once")
	}
	if _, err := w.ChangePassword(t.Context(), s.Account, s.Token, password, "another four words"); err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(100 * time.Hour)
	if s, err := w.signIn(t, "ann", "another four words"); err != nil || s.Account.OneTime {
		t.Errorf("a password of one's own: %v", err)
	}
	if _, err = w.SetPassword(t.Context(), a, password, true); err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(72*time.Hour + time.Second)
	if _, err := w.signIn(t, "ann", password); err == nil {
		t.Error("a one-time password opens the account after its time")
	}
}

func TestHashesAreMadeAnewAtSignIn(t *testing.T) {
	w := newWorld(t)
	before := w.add(t, "ann", records.FallsNurse)
	s := w.mustSignIn(t, "ann")
	w.Hasher = &auth.Hasher{Cost: auth.Cost{MemoryKiB: 16, Passes: 1, Lanes: 1}}
	w.mustSignIn(t, "ann")
	after, err := w.Named(t.Context(), "ann")
	if err != nil || after.Password == before.Password || after.Epoch != before.Epoch {
		t.Errorf("the hash was made anew: %v, %v", after.Password != before.Password, err)
	}
	if !w.lives(t, s.Token) {
		t.Error("making the hash anew ended a session")
	}
	w.mustSignIn(t, "ann")
	if again, _ := w.Named(t.Context(), "ann"); again.Password != after.Password {
		t.Error("a hash of today's cost is made anew each time")
	}
}

// A stranger's guesses do not keep out somebody whose browser the account knows.
func TestStrangersDoNotShutOut(t *testing.T) {
	w := newWorld(t)
	w.add(t, "ann", records.FallsNurse)
	s := w.mustSignIn(t, "ann")
	var wait *auth.WaitError
	for range 50 {
		_, err := w.signIn(t, "ann", "wrong wrong wrong")
		errors.As(err, &wait)
	}
	if wait == nil {
		t.Fatal("50 wrong passwords and no wait")
	}
	if _, err := w.signIn(t, "ann", password); !errors.As(err, &wait) {
		t.Errorf("the right password is looked at before its time: %v", err)
	}
	back, err := w.SignIn(t.Context(), auth.SignIn{Name: "ann", Password: password, Address: netip.MustParseAddr("10.0.0.1"), Marks: s.Marks})
	if err != nil || !w.lives(t, back.Token) {
		t.Errorf("a known browser is kept out: %v", err)
	}
	if _, err := w.SignIn(t.Context(), auth.SignIn{Name: "ann", Password: password, Address: netip.MustParseAddr("10.0.0.2")}); err != nil {
		t.Errorf("another address is kept out: %v", err)
	}
	w.now = w.now.Add(time.Minute)
	w.mustSignIn(t, "ann")
}

func TestManaging(t *testing.T) {
	w := newWorld(t)
	root := w.add(t, "root", records.Administrator)
	second := w.add(t, "second", records.Administrator, records.FallsNurse)
	for name, g := range map[string]auth.Grants{
		"no role": {Units: []string{"4W"}}, "unknown role": {Roles: []records.Role{"doctor"}}, "no unit": {Roles: []records.Role{records.Screen}},
		"odd unit": {Roles: []records.Role{records.Screen}, Units: []string{"4\nW"}},
	} {
		if _, err := w.Add(t.Context(), "x "+name, password, g, false); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, name := range []string{"", " ann", "ann ", "a  b", "a\tb", "a\u202eb", "a\xffb", fmt.Sprintf("%065d", 1), "a\u00a0b"} {
		if _, err := w.Add(t.Context(), name, password, auth.Grants{Roles: []records.Role{records.Administrator}}, false); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("name %q: %v", name, err)
		}
	}
	if _, err := w.Add(t.Context(), "ＲＯＯＴ", password, auth.Grants{Roles: []records.Role{records.Administrator}}, false); clinical.CodeOf(err) != clinical.Conflict {
		t.Errorf("a name that reads like another: %v", err)
	}
	if _, err := w.Disable(t.Context(), root.ID, false); err != nil {
		t.Fatal(err)
	}
	_, disabling := w.Disable(t.Context(), second.ID, false)
	_, demoting := w.SetGrants(t.Context(), second.ID, auth.Grants{Roles: []records.Role{records.FallsNurse}, AllUnits: true})
	if clinical.CodeOf(disabling) != clinical.Conflict || clinical.CodeOf(demoting) != clinical.Conflict {
		t.Errorf("the last administrator can be shut out: %v, %v", disabling, demoting)
	}
	if _, err := w.Disable(t.Context(), second.ID, true); err != nil {
		t.Errorf("by force: %v", err)
	}
}

// Who may do what, written from the roles' description.
func TestRolesPermit(t *testing.T) {
	patients := []records.Permission{records.ViewList, records.ViewNames, records.ViewStay}
	functions := []records.Permission{records.ViewHeldRows, records.CheckUnits, records.ManageAccounts, records.ManageTokens, records.ViewAudit, records.ManagePolicy}
	for _, r := range records.Roles {
		a := records.Account{Roles: []records.Role{r}}
		sees := r != records.Administrator && r != records.Screen
		if a.May(patients...) != sees || a.May(records.ViewNames) != sees || a.May(records.ViewStay) != sees {
			t.Errorf("%s sees patients: %v", r, !sees)
		}
		for _, p := range functions {
			if a.May(p) != (r == records.Administrator) {
				t.Errorf("%s may %s", r, p)
			}
		}
	}
	if got := records.Permissions(records.Screen); len(got) != 1 || got[0] != records.ViewList {
		t.Errorf("a screen may %v", got)
	}
	both := records.Account{Roles: []records.Role{records.Administrator, records.BedsideNurse}}
	if !both.May(records.ViewStay, records.ManageAccounts) || both.May(records.ReviewDoses) {
		t.Error("two roles do not add up")
	}
	if (records.Account{}).May(records.ViewList) {
		t.Error("no account may see a list")
	}
}

// The machine's clock is set back a day. A right password does not wait for that day, and
// no session outlives its limits because its times lie ahead.
func TestAClockSetBackADay(t *testing.T) {
	w := newWorld(t)
	even := w.now
	w.Steady = func() time.Time { return even }
	w.add(t, "ann", records.FallsNurse)
	for range 6 {
		_, _ = w.signIn(t, "ann", "wrong")
	}
	other := auth.SignIn{Name: "ann", Password: password, Address: netip.MustParseAddr("10.0.0.2")}
	s, err := w.SignIn(t.Context(), other)
	if err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(-24 * time.Hour)
	even = even.Add(2 * time.Second)
	if _, err := w.signIn(t, "ann", password); err != nil {
		t.Errorf("the right password two seconds later: %v", err)
	}
	if w.lives(t, s.Token) {
		t.Error("a session of tomorrow is alive")
	}
	again := w.mustSignIn(t, "ann")
	if n := teststore.Count(t, w.store, "sessions"); n > 2 {
		t.Errorf("%d sessions are kept; that of tomorrow would live again then", n)
	}
	if !w.lives(t, again.Token) {
		t.Error("a session begun by the clock of now is dead")
	}
	w.now = w.now.Add(24 * time.Hour) // the time of the first one has come
	if w.lives(t, s.Token) {
		t.Error("the session of tomorrow lives when tomorrow has come")
	}
}

// The clocks of two instances differ a little; that ends nobody's session.
func TestClocksMayDifferALittle(t *testing.T) {
	w := newWorld(t)
	w.add(t, "ann", records.FallsNurse)
	s := w.mustSignIn(t, "ann")
	w.now = w.now.Add(-time.Minute)
	if !w.lives(t, s.Token) {
		t.Error("a session that began a minute ahead is dead")
	}
	w.now = w.now.Add(-2 * time.Minute)
	if w.lives(t, s.Token) {
		t.Error("a session that began three minutes ahead is alive")
	}
}
