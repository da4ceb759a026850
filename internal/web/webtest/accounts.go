package webtest

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
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

// accounts keeps accounts by a clock that stands still. Their passwords are hashed at next to
// no cost.
func accounts(st *store.Store, now time.Time) *auth.Service {
	return &auth.Service{
		Store: st, Hasher: &auth.Hasher{Cost: auth.Cost{MemoryKiB: 8, Passes: 1, Lanes: 1}}, Limits: &auth.Limits{},
		Clock: func() time.Time { return now },
	}
}

// addAccounts makes an account for each role, named by it, those that see patients on unit
// 4W alone; and Everything.
func addAccounts(ctx context.Context, s *auth.Service) error {
	grants := map[string]auth.Grants{
		Everything: {Roles: []records.Role{records.FallsNurse, records.Administrator}, AllUnits: true},
	}
	for _, r := range records.Roles {
		grants[string(r)] = auth.Grants{Roles: []records.Role{r}, Units: []string{"4W"}}
	}
	for _, name := range slices.Sorted(maps.Keys(grants)) {
		if _, err := s.Add(ctx, name, Password, grants[name], false); err != nil {
			return err
		}
	}
	return nil
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
