package auth_test

import (
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

var nurseOn4W = auth.Grants{Roles: []records.Role{records.FallsNurse}, Units: []string{"4W"}}

func arrival(subject, name string, g auth.Grants) auth.Arrival {
	return auth.Arrival{Identity: records.Identity{Issuer: "https://login.example", Subject: subject}, Name: name, Grants: g}
}

func (w *world) arrive(t *testing.T, in auth.Arrival) auth.Arrived {
	t.Helper()
	got, err := w.Arrive(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestAnArrivalMakesAnAccountAndFollowsItsGroups(t *testing.T) {
	w := newWorld(t)
	first := w.arrive(t, arrival("s-1", "Ann", nurseOn4W))
	a, err := w.Resolve(t.Context(), first.Token, false)
	if err != nil || !first.Made || first.Changed || a.Name != "Ann" || !a.FromService() || a.Password != "" || !a.OnUnit("4W") || a.OnUnit("7E") {
		t.Fatalf("after the first sign-in: %+v %v", a, err)
	}
	// The same groups: a second browser leaves the first alone.
	second := w.arrive(t, arrival("s-1", "Ann", auth.Grants{Roles: []records.Role{records.FallsNurse, records.FallsNurse}, Units: []string{"4W", "4W"}}))
	if second.Made || second.Changed || second.Account.ID != a.ID || !w.lives(t, first.Token) || second.Token == first.Token {
		t.Errorf("a second sign-in: %+v", second)
	}
	// Other groups: what was open under the old ones ends.
	third := w.arrive(t, arrival("s-1", "Ann", auth.Grants{Roles: []records.Role{records.Pharmacist}, AllUnits: true}))
	if !third.Changed || w.lives(t, first.Token) || w.lives(t, second.Token) || !w.lives(t, third.Token) {
		t.Error("other groups did not end the sessions under the old ones, or ended their own")
	}
	now, err := w.Named(t.Context(), "ann")
	if err != nil || !slices.Equal(now.Roles, []records.Role{records.Pharmacist}) || !now.AllUnits || len(now.Units) != 0 {
		t.Errorf("the account is %+v, %v", now, err)
	}
	// Another name there is the same person here, under the name of the first time.
	if again := w.arrive(t, arrival("s-1", "Ann Married", auth.Grants{Roles: []records.Role{records.Pharmacist}, AllUnits: true})); again.Account.Name != "Ann" || again.Account.ID != a.ID {
		t.Errorf("after a change of name: %+v", again.Account)
	}
}

func TestAnArrivalWithoutGroupsIsShutOut(t *testing.T) {
	w := newWorld(t)
	for name, g := range map[string]auth.Grants{
		"no group": {}, "a unit without a role": {Units: []string{"4W"}, AllUnits: true}, "a role that needs a unit": {Roles: []records.Role{records.FallsNurse}},
	} {
		if _, err := w.Arrive(t.Context(), arrival("new "+name, "new", g)); !errors.Is(err, auth.ErrNoGroup) {
			t.Errorf("%s, at the first time: %v", name, err)
		}
		in := w.arrive(t, arrival("s "+name, "ann "+name, nurseOn4W))
		if _, err := w.Arrive(t.Context(), arrival("s "+name, "ann "+name, g)); !errors.Is(err, auth.ErrNoGroup) || !auth.IsRefusal(err) {
			t.Errorf("%s, later: %v", name, err)
		}
		if w.lives(t, in.Token) {
			t.Errorf("%s: the session under the groups of before lives on", name)
		}
		if a, err := w.ByID(t.Context(), in.Account.ID); err != nil || len(a.Roles)+len(a.Units) > 0 || a.AllUnits {
			t.Errorf("%s: the account keeps %v on %v: %v", name, a.Roles, a.Units, err)
		}
		if back := w.arrive(t, arrival("s "+name, "ann "+name, nurseOn4W)); !w.lives(t, back.Token) {
			t.Errorf("%s: the groups are back and the person is not", name)
		}
	}
	if all, err := w.Accounts(t.Context()); err != nil || len(all) != 3 {
		t.Errorf("%d accounts, want those of the three who had a group: %v", len(all), err)
	}
}

func TestArrivalsAreNotJoinedByName(t *testing.T) {
	w := newWorld(t)
	local := w.add(t, "ann", records.Administrator)
	session := w.mustSignIn(t, "ann")
	for _, name := range []string{"ann", "ANN", "ａｎｎ"} {
		if _, err := w.Arrive(t.Context(), arrival("s-1", name, nurseOn4W)); !errors.Is(err, auth.ErrNameTaken) {
			t.Errorf("as %q: %v", name, err)
		}
	}
	w.arrive(t, arrival("s-2", "bea", nurseOn4W))
	other := arrival("s-2", "bea", nurseOn4W)
	other.Identity.Issuer = "https://other.example"
	if _, err := w.Arrive(t.Context(), other); !errors.Is(err, auth.ErrNameTaken) {
		t.Errorf("the same subject and name of another service: %v", err)
	}
	for _, name := range []string{"", " ann", "a\u202eb", strings.Repeat("x", 65)} {
		if _, err := w.Arrive(t.Context(), arrival("s-3", name, nurseOn4W)); !errors.Is(err, auth.ErrBadName) {
			t.Errorf("the name %q: %v", name, err)
		}
	}
	for _, id := range []records.Identity{{}, {Issuer: "https://login.example"}, {Subject: "s"}} {
		in := arrival("", "cho", nurseOn4W)
		in.Identity = id
		if _, err := w.Arrive(t.Context(), in); err == nil || auth.IsRefusal(err) {
			t.Errorf("identity %+v: %v", id, err)
		}
	}
	if a, err := w.ByID(t.Context(), local.ID); err != nil || a.FromService() || a.Epoch != local.Epoch || !w.lives(t, session.Token) {
		t.Errorf("the local account is %+v, or its session has ended: %v", a, err)
	}
}

func TestADisabledAccountStaysOut(t *testing.T) {
	w := newWorld(t)
	in := w.arrive(t, arrival("s-1", "ann", nurseOn4W))
	if _, err := w.Disable(t.Context(), in.Account.ID, true); err != nil {
		t.Fatal(err)
	}
	for _, g := range []auth.Grants{nurseOn4W, {Roles: []records.Role{records.Administrator}}, {}} {
		if got, err := w.Arrive(t.Context(), arrival("s-1", "ann", g)); !errors.Is(err, auth.ErrDisabled) || got.Token != "" {
			t.Errorf("with %v: %v", g.Roles, err)
		}
	}
	if a, err := w.ByID(t.Context(), in.Account.ID); err != nil || !a.Has(records.FallsNurse) || a.Has(records.Administrator) {
		t.Errorf("the disabled account has changed: %+v %v", a, err)
	}
	if _, err := w.Enable(t.Context(), in.Account.ID); err != nil {
		t.Fatal(err)
	}
	w.arrive(t, arrival("s-1", "ann", nurseOn4W))
}

func TestAnArrivalTakesANewSession(t *testing.T) {
	w := newWorld(t)
	w.add(t, "local", records.FallsNurse)
	before := w.mustSignIn(t, "local")
	in := arrival("s-1", "ann", nurseOn4W)
	in.Token = before.Token
	if got := w.arrive(t, in); w.lives(t, before.Token) || got.Token == before.Token || !w.lives(t, got.Token) {
		t.Error("the session that the browser had before lives on, or is taken over")
	}
	planted := arrival("s-1", "ann", nurseOn4W)
	planted.Token = auth.NewToken()
	if got := w.arrive(t, planted); got.Token == planted.Token || w.lives(t, planted.Token) {
		t.Error("a planted token became a session")
	}
}

// One person in two browsers at once is one account.
func TestArrivalsAtOnce(t *testing.T) {
	w := newWorld(t)
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			if _, err := w.Arrive(t.Context(), arrival("s-1", "ann", nurseOn4W)); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if all, err := w.Accounts(t.Context()); err != nil || len(all) != 1 {
		t.Errorf("%d accounts, %v", len(all), err)
	}
}

func TestAccountsOfTheServiceHaveNoPassword(t *testing.T) {
	w := newWorld(t)
	in := w.arrive(t, arrival("s-1", "ann", nurseOn4W))
	a := in.Account
	for _, guess := range []string{"", password, "ann"} {
		if _, err := w.signIn(t, "ann", guess); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("local sign-in with %q: %v", guess, err)
		}
	}
	stale := a
	stale.Identity = records.Identity{} // as read before it was joined
	_, change := w.ChangePassword(t.Context(), a, in.Token, "", password)
	_, set := w.SetPassword(t.Context(), a, password, true)
	_, setStale := w.SetPassword(t.Context(), stale, password, true)
	for what, err := range map[string]error{"change": change, "reset": set, "reset of what was read before": setStale} {
		if clinical.CodeOf(err) != clinical.Invalid || !strings.Contains(err.Error(), "sign-in service") {
			t.Errorf("%s of the password: %v", what, err)
		}
	}
	if _, err := w.SetGrants(t.Context(), a.ID, auth.Grants{Roles: []records.Role{records.Administrator}}); clinical.CodeOf(err) != clinical.Conflict {
		t.Errorf("roles given by hand: %v", err)
	}
	now, err := w.ByID(t.Context(), a.ID)
	if err != nil || now.Password != "" || now.Has(records.Administrator) || !w.lives(t, in.Token) {
		t.Errorf("the account is %+v, or its session has ended: %v", now, err)
	}
}

func TestJoiningAnAccountByHand(t *testing.T) {
	w := newWorld(t)
	local := w.add(t, "ann", records.Administrator)
	session := w.mustSignIn(t, "ann")
	to := records.Identity{Issuer: "https://login.example", Subject: "s-1"}
	if _, err := w.Link(t.Context(), local.ID, records.Identity{Subject: "s-1"}); clinical.CodeOf(err) != clinical.Invalid {
		t.Errorf("half an identity: %v", err)
	}
	if _, err := w.Link(t.Context(), local.ID, to); err != nil {
		t.Fatal(err)
	}
	if _, err := w.signIn(t, "ann", password); err == nil || w.lives(t, session.Token) {
		t.Error("the password still opens the account, or a session lives on")
	}
	if in := w.arrive(t, arrival("s-1", "another name", nurseOn4W)); in.Account.ID != local.ID || in.Account.Has(records.Administrator) || !in.Account.Has(records.FallsNurse) {
		t.Errorf("the person arrives as %+v", in.Account)
	}
	other := w.add(t, "bea", records.FallsNurse)
	if _, err := w.Link(t.Context(), other.ID, to); clinical.CodeOf(err) != clinical.Conflict {
		t.Errorf("one identity for two: %v", err)
	}
	if _, err := w.Unlink(t.Context(), other.ID); clinical.CodeOf(err) != clinical.Conflict {
		t.Errorf("unlinking a local account: %v", err)
	}
	if _, err := w.Unlink(t.Context(), local.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := w.signIn(t, "ann", password); err == nil {
		t.Error("the old password is back")
	}
	back, err := w.ByID(t.Context(), local.ID)
	if err == nil {
		_, err = w.SetPassword(t.Context(), back, "another four words", false)
	}
	if err == nil {
		_, err = w.signIn(t, "ann", "another four words")
	}
	if err != nil {
		t.Errorf("as a local account again: %v", err)
	}
}

func TestSealed(t *testing.T) {
	w, stranger := newWorld(t), newWorld(t)
	seal := func(s *auth.Service, purpose, text string) string {
		t.Helper()
		sealed, err := s.Seal(t.Context(), purpose, []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return sealed
	}
	one, two := seal(w.Service, "p", "secret words"), seal(w.Service, "p", "secret words")
	if one == two || strings.Contains(one, "secret") {
		t.Errorf("sealed twice: %q and %q", one, two)
	}
	if got, err := w.Unseal(t.Context(), "p", one); err != nil || string(got) != "secret words" {
		t.Errorf("unsealed %q, %v", got, err)
	}
	for n := range len(one) {
		flipped := []byte(one)
		flipped[n] ^= 1
		// The last letter of base64 carries bits that are not read.
		if got, err := w.Unseal(t.Context(), "p", string(flipped)); err == nil && (n < len(one)-1 || string(got) != "secret words") {
			t.Fatalf("with letter %d changed it unseals to %q", n, got)
		}
	}
	for what, try := range map[string]func() ([]byte, error){
		"another purpose": func() ([]byte, error) { return w.Unseal(t.Context(), "q", one) },
		"another server":  func() ([]byte, error) { return stranger.Unseal(t.Context(), "p", one) },
		"nothing":         func() ([]byte, error) { return w.Unseal(t.Context(), "p", "") },
		"too short":       func() ([]byte, error) { return w.Unseal(t.Context(), "p", one[:8]) },
	} {
		if got, err := try(); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("%s: %q, %v", what, got, err)
		}
	}
}
