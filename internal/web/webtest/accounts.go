package webtest

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/records"
	"plumbline/internal/store"
)

// Password is that of every account of Accounts.
const Password = "four invented words here"

// Everything is the account that sees all there is: a falls nurse for all units who
// is an administrator too.
const Everything = "everything"

// accounts makes accounts whose clock stands still: one for each role, named by it,
// those that see patients on unit 4W alone; and Everything. Their passwords are hashed
// at next to no cost.
func accounts(tb testing.TB, st *store.Store, now time.Time) *auth.Service {
	tb.Helper()
	s := &auth.Service{
		Store: st, Hasher: &auth.Hasher{Cost: auth.Cost{MemoryKiB: 8, Passes: 1, Lanes: 1}}, Limits: &auth.Limits{},
		Clock: func() time.Time { return now },
	}
	for _, r := range records.Roles {
		g := auth.Grants{Roles: []records.Role{r}, Units: []string{"4W"}}
		if _, err := s.Add(context.Background(), string(r), Password, g, false); err != nil {
			tb.Fatal(err)
		}
	}
	all := auth.Grants{Roles: []records.Role{records.FallsNurse, records.Administrator}, AllUnits: true}
	if _, err := s.Add(context.Background(), Everything, Password, all, false); err != nil {
		tb.Fatal(err)
	}
	return s
}

// SignIn signs in to the pages behind a handler and returns the cookies.
func SignIn(h http.Handler, name, password string) ([]*http.Cookie, error) {
	form := url.Values{"name": {name}, "password": {password}}
	r := httptest.NewRequest(http.MethodPost, "/sign-in", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.RemoteAddr = "127.0.0.1:999"
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != http.StatusSeeOther {
		return nil, fmt.Errorf("sign-in as %s = %d", name, w.Code)
	}
	return w.Result().Cookies(), nil
}

// As signs in, and gives the cookies to every request that has no session of its
// own, as if it came from this machine.
func As(h http.Handler, name string) http.Handler {
	cookies, err := SignIn(h, name, Password)
	if err != nil {
		panic(err)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, err := r.Cookie(cookies[0].Name); err != nil {
			for _, c := range cookies {
				r.AddCookie(c)
			}
		}
		if strings.HasPrefix(r.RemoteAddr, "192.0.2.1:") { // of httptest
			r.RemoteAddr = "127.0.0.1:999"
		}
		h.ServeHTTP(w, r)
	})
}
