package idp

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"plumbline/internal/clinical"
)

// Bounds of talking with the service; common practice, no source gives the figures.
const (
	askTimeout  = 10 * time.Second
	maxAnswer   = 1 << 20 // bytes
	firstRetry  = 5 * time.Second
	lastRetry   = 5 * time.Minute // the wait doubles up to this
	lookAgain   = time.Hour       // its addresses may change
	maxUsed     = 50_000          // states held as used, some 5 MB
	clockLeeway = time.Minute     // between its clock and this one
)

// Service is the site's sign-in service.
type Service struct {
	Settings
	clock clinical.Clock
	log   *slog.Logger
	http  *http.Client

	mu    sync.Mutex
	found *found
	due   time.Time // when to look for it next; zero: at once
	wait  time.Duration
	used  map[string]time.Time // states, until they expire anyway
}

// found is what the service says of itself.
type found struct {
	provider   *oidc.Provider
	issuer     string
	verifier   *oidc.IDTokenVerifier
	oauth      oauth2.Config
	userInfo   bool
	endSession string
	namesItsIs bool // it says who it is in its answers (RFC 9207)
}

// New makes the sign-in service of the settings; Look finds it.
func New(s Settings, clock clinical.Clock, log *slog.Logger) *Service {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	return &Service{
		Settings: s, clock: clock, log: log, used: map[string]time.Time{},
		http: &http.Client{
			Timeout: askTimeout, Transport: bounded{transport},
			// A secret goes to the addresses that the service has named, and no further.
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
	}
}

// Close drops idle connections.
func (s *Service) Close() { s.http.CloseIdleConnections() }

// bounded cuts an answer that is larger than any of a sign-in service.
type bounded struct{ http.RoundTripper }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	a, err := b.RoundTripper.RoundTrip(r)
	if err == nil {
		a.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(a.Body, maxAnswer), a.Body}
	}
	return a, err
}

// Ready reports whether the service has been found.
func (s *Service) Ready() bool { return s.state() != nil }

func (s *Service) state() *found {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.found
}

// Look asks the service for its addresses and keys if it is time to: until it is
// found, ever more seldom, and then each hour. Where it cannot be reached the log
// says why, and what was found before stays in use. To be called every few seconds.
func (s *Service) Look(ctx context.Context) {
	now := s.clock()
	s.mu.Lock()
	early := now.Before(s.due)
	s.mu.Unlock()
	if early {
		return
	}
	f, err := s.find(ctx)
	if ctx.Err() != nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.wait = min(max(firstRetry, 2*s.wait), lastRetry)
		s.due = now.Add(s.wait)
		s.log.Warn(s.name()+" cannot be used; local accounts can; it is tried again", "again_in", s.wait, "error", err)
		return
	}
	if s.found == nil {
		s.log.Info(s.name() + " was found")
	}
	s.found, s.wait, s.due = f, 0, now.Add(lookAgain)
}

// name is what the log calls it.
func (s *Service) name() string {
	if s.Record != "" {
		return "the sign-in of the record"
	}
	return "the sign-in service"
}

func (s *Service) find(ctx context.Context) (*found, error) {
	if s.Record != "" {
		return s.findRecord(ctx)
	}
	provider, err := oidc.NewProvider(oidc.ClientContext(ctx, s.http), s.Issuer)
	if err != nil {
		return nil, plain(err)
	}
	var says struct {
		Auth       string   `json:"authorization_endpoint"`
		Token      string   `json:"token_endpoint"`
		Keys       string   `json:"jwks_uri"`
		UserInfo   string   `json:"userinfo_endpoint"`
		EndSession string   `json:"end_session_endpoint"`
		Scopes     []string `json:"scopes_supported"`
		Methods    []string `json:"code_challenge_methods_supported"`
		AuthBy     []string `json:"token_endpoint_auth_methods_supported"`
		NamesIt    bool     `json:"authorization_response_iss_parameter_supported"`
	}
	if err := provider.Claims(&says); err != nil {
		return nil, err
	}
	for name, address := range map[string]string{
		"authorization_endpoint": says.Auth, "token_endpoint": says.Token, "jwks_uri": says.Keys,
		"userinfo_endpoint": says.UserInfo, "end_session_endpoint": says.EndSession,
	} {
		optional := name == "userinfo_endpoint" || name == "end_session_endpoint"
		if address == "" && optional {
			continue
		}
		if err := checkAddress(address); err != nil {
			return nil, fmt.Errorf("its %s %w", name, err)
		}
	}
	if len(says.Methods) > 0 && !slices.Contains(says.Methods, "S256") {
		return nil, errors.New("it does not take PKCE with S256; choose another service or turn PKCE on there")
	}
	scopes := []string{oidc.ScopeOpenID, "profile"}
	if slices.Contains(says.Scopes, s.GroupsClaim) { // some give groups for a scope of that name alone
		scopes = append(scopes, s.GroupsClaim)
	}
	endpoint := provider.Endpoint()
	endpoint.AuthStyle = oauth2.AuthStyleInHeader // what holds where nothing is said (Discovery 1.0, section 3)
	if len(says.AuthBy) > 0 && !slices.Contains(says.AuthBy, "client_secret_basic") {
		endpoint.AuthStyle = oauth2.AuthStyleInParams
	}
	return &found{
		provider: provider, issuer: s.Issuer,
		verifier: provider.Verifier(&oidc.Config{ClientID: s.ClientID, Now: s.clock}),
		oauth: oauth2.Config{
			ClientID: s.ClientID, ClientSecret: s.ClientSecret, Endpoint: endpoint, RedirectURL: s.Redirect(), Scopes: scopes,
		},
		userInfo: says.UserInfo != "", endSession: says.EndSession, namesItsIs: says.NamesIt,
	}, nil
}

// plain leaves out of an error what the settings hold already, and long answers.
func plain(err error) error {
	var at *url.Error
	if errors.As(err, &at) {
		err = at.Err
	}
	if text := []rune(err.Error()); len(text) > 300 {
		return errors.New(string(text[:300]))
	}
	return err
}

// EndSession is the address at which people end their session with the service
// itself; "" where it names none. The service asks them, for it is told of no one.
func (s *Service) EndSession() string {
	f := s.state()
	if f == nil || f.endSession == "" {
		return ""
	}
	u, err := url.Parse(f.endSession)
	if err != nil {
		return ""
	}
	q := u.Query()
	q.Set("client_id", s.ClientID)
	q.Set("post_logout_redirect_uri", s.PublicURL+"/sign-in")
	u.RawQuery = q.Encode()
	return u.String()
}
