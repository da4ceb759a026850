package idp

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/internal/idp/idptest"
)

func foundService(t *testing.T, change func(*idptest.Provider)) (*Service, *idptest.Provider) {
	t.Helper()
	p, err := idptest.Start("https://falls.example" + BackPath)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	if change != nil {
		change(p)
	}
	s := New(Settings{
		Issuer: p.URL, ClientID: idptest.ClientID, ClientSecret: idptest.ClientSecret, GroupsClaim: "groups", NameClaim: "preferred_username",
		PublicURL: "https://falls.example",
	}, time.Now, nil)
	t.Cleanup(s.Close)
	s.Look(t.Context())
	return s, p
}

func TestWhatTheServiceAnnouncesIsUsed(t *testing.T) {
	s, _ := foundService(t, func(p *idptest.Provider) {
		p.Discovery = func(says map[string]any) {
			says["scopes_supported"] = []string{"openid", "groups"}
			delete(says, "end_session_endpoint")
		}
	})
	address, _, err := s.Begin("/", false)
	if err != nil || !strings.Contains(address, "scope=openid+profile+groups") {
		t.Errorf("the service is asked by %s, %v", address, err)
	}
	if end := s.EndSession(); end != "" {
		t.Errorf("a session there ends at %s, which it did not name", end)
	}
}

// A service that refuses the Authorization header and announces so gets the secret
// in the body; the code is handed in once either way.
func TestTheSecretIsSentOnce(t *testing.T) {
	for name, methods := range map[string][]string{"header": nil, "body": {"client_secret_post"}} {
		s, p := foundService(t, func(p *idptest.Provider) {
			p.Discovery = func(says map[string]any) {
				if delete(says, "token_endpoint_auth_methods_supported"); methods != nil {
					says["token_endpoint_auth_methods_supported"] = methods
				}
			}
		})
		p.Add(idptest.User{Subject: "s", Name: "n"})
		address, f, err := s.Begin("/", false)
		if err != nil {
			t.Fatal(err)
		}
		back, err := p.Approve(address, "s")
		if err != nil {
			t.Fatal(err)
		}
		u, _ := url.Parse(back)
		who, err := s.Finish(t.Context(), f, u.Query())
		if err != nil || who.Identity.Subject != "s" || who.Identity.Issuer != p.URL || who.Name != "n" || p.Codes != 1 {
			t.Errorf("in the %s: %+v, %v, after %d requests", name, who, err, p.Codes)
		}
	}
}

func TestASecretFollowsNoRedirect(t *testing.T) {
	asked := 0
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { asked++ }))
	defer elsewhere.Close()
	s, _ := foundService(t, nil)
	moved := httptest.NewServer(http.RedirectHandler(elsewhere.URL, http.StatusTemporaryRedirect))
	defer moved.Close()
	s.found.oauth.Endpoint.TokenURL = moved.URL
	_, f, err := s.Begin("/", false)
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.Finish(t.Context(), f, url.Values{"state": {f.State}, "code": {"x"}})
	var why *Refusal
	if !errors.As(err, &why) || why.Reason != WrongCode || asked != 0 {
		t.Errorf("a token endpoint that leads elsewhere: %v, which was asked %d times", err, asked)
	}
}

func TestAnAnswerWithoutEndIsCut(t *testing.T) {
	var written atomic.Int64
	endless := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for r.Context().Err() == nil {
			n, err := w.Write(make([]byte, 64<<10))
			written.Add(int64(n))
			if err != nil {
				return
			}
		}
	}))
	defer endless.Close()
	s := New(Settings{Issuer: endless.URL}, time.Now, nil)
	defer s.Close()
	s.Look(t.Context())
	// By its size, not by the time: what waits between the two besides is 16 MiB at most.
	if n := written.Load(); n < maxAnswer || n > maxAnswer+16<<20 {
		t.Errorf("of an answer without end it takes %d bytes, want %d", n, maxAnswer)
	}
	if s.Ready() {
		t.Error("it takes zeros for a service")
	}
}

func TestTheServiceIsLookedForEverMoreSeldom(t *testing.T) {
	now, asked := time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC), 0
	broken := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		asked++
		http.Error(w, "down", http.StatusServiceUnavailable)
	}))
	defer broken.Close()
	s := New(Settings{Issuer: broken.URL}, func() time.Time { return now }, nil)
	defer s.Close()
	var gaps []string
	for last := now; len(gaps) < 9; now = now.Add(time.Second) {
		before := asked
		if s.Look(t.Context()); asked > before {
			gaps, last = append(gaps, now.Sub(last).String()), now
		}
	}
	if got, want := fmt.Sprint(gaps), "[0s 5s 10s 20s 40s 1m20s 2m40s 5m0s 5m0s]"; got != want {
		t.Errorf("the gaps are %s, want %s", got, want)
	}
}

func TestAServiceThatWasFoundStays(t *testing.T) {
	now := time.Now()
	s, p := foundService(t, nil)
	s.clock = func() time.Time { return now }
	p.Close()
	now = now.Add(lookAgain + time.Second)
	if s.Look(t.Context()); !s.Ready() {
		t.Error("a service that does not answer once is forgotten")
	}
}

func TestUsedStatesAreBounded(t *testing.T) {
	s := New(Settings{}, time.Now, nil)
	now := time.Now()
	flow := func(n int, begun time.Time) Flow { return Flow{State: fmt.Sprint(n), Begun: begun} }
	for n := range maxUsed {
		s.useOnce(flow(n, now.Add(-FlowLife).Add(time.Duration(n)*time.Millisecond)), now)
	}
	if s.useOnce(flow(maxUsed-1, now), now) {
		t.Error("a state serves twice")
	}
	later := now.Add(time.Duration(maxUsed-1000) * time.Millisecond) // all but some 1000 have expired
	if !s.useOnce(flow(-1, later), later) || len(s.used) > 1100 {
		t.Errorf("%d states are held after the others have expired", len(s.used))
	}
	if s.useOnce(flow(maxUsed-1, now), later) {
		t.Error("a state that has not expired was forgotten for those that have")
	}
	for n := range maxUsed { // none of these has expired
		s.useOnce(flow(maxUsed+n, later), later)
	}
	if len(s.used) > maxUsed || s.useOnce(flow(2*maxUsed-1, later), later) {
		t.Errorf("%d states are held, or the newest is forgotten", len(s.used))
	}
}
