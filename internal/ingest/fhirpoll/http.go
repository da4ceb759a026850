package fhirpoll

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// Bounds of one request.
const (
	largestPage = 256 << 20
	attempts    = 6
	longestWait = time.Minute
)

// get asks for a page. What fails for a while is tried again, each time after twice as long.
func (p *Poller) get(ctx context.Context, at *url.URL) (text []byte, err error) {
	renewed := false
	for n := range attempts {
		var wait time.Duration
		var again bool
		text, wait, again, err = p.once(ctx, at)
		if errors.Is(err, errSignIn) && !renewed {
			renewed = true
			p.token = token{}
			continue
		}
		if err == nil || !again || n == attempts-1 {
			return text, err
		}
		if err := p.wait(ctx, max(wait, time.Second<<n)); err != nil {
			return nil, err
		}
	}
	return nil, err
}

func (p *Poller) wait(ctx context.Context, d time.Duration) error {
	d = min(d, longestWait)
	if p.Wait != nil {
		return p.Wait(ctx, d)
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

var errSignIn = errors.New("the server asks to sign in")

// refusedError is a search that the server does not make, and will not make when it is asked again.
type refusedError struct{ status string }

func (e *refusedError) Error() string { return "the server answers " + e.status }

// once asks once; again tells whether it may help to ask once more, after a wait.
func (p *Poller) once(ctx context.Context, at *url.URL) (text []byte, wait time.Duration, again bool, err error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, at.String(), nil)
	if err != nil {
		return nil, 0, false, err
	}
	request.Header.Set("Accept", "application/fhir+json")
	if p.Settings.ClientID != "" {
		bearer, err := p.bearer(ctx)
		if err != nil {
			return nil, 0, true, fmt.Errorf("signing in: %w", err)
		}
		request.Header.Set("Authorization", "Bearer "+bearer)
	}
	answer, err := p.Client.Do(request)
	if err != nil {
		return nil, 0, true, errors.Unwrap(err) // without the address, which may name a patient
	}
	defer func() { _ = answer.Body.Close() }()
	switch {
	case answer.StatusCode == http.StatusUnauthorized:
		return nil, 0, false, errSignIn
	case answer.StatusCode == http.StatusTooManyRequests || answer.StatusCode >= 500:
		seconds, _ := strconv.Atoi(answer.Header.Get("Retry-After"))
		return nil, time.Duration(seconds) * time.Second, true, fmt.Errorf("the server answers %s", answer.Status)
	case answer.StatusCode != http.StatusOK:
		return nil, 0, false, &refusedError{answer.Status}
	}
	text, err = io.ReadAll(io.LimitReader(answer.Body, largestPage+1))
	if err == nil && len(text) > largestPage {
		return nil, 0, false, fmt.Errorf("a page is larger than %d bytes; ask for smaller ones (fhir-page)", largestPage)
	}
	return text, 0, true, err
}

// token is a bearer token of SMART Backend Services, until it ends.
type token struct {
	value string
	until time.Time
}

// assertionLasts is how long a signed statement of who we are holds; five minutes are the most.
const assertionLasts = 4 * time.Minute

// bearer is a token that holds for a while still.
func (p *Poller) bearer(ctx context.Context) (string, error) {
	if p.token.value != "" && p.Clock().Before(p.token.until) {
		return p.token.value, nil
	}
	address, err := p.tokenURL(ctx)
	if err != nil {
		return "", err
	}
	assertion, err := p.assertion(address)
	if err != nil {
		return "", err
	}
	form := url.Values{
		"grant_type": {"client_credentials"}, "scope": {p.Settings.Scope}, "client_assertion": {assertion},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
	}
	var got struct {
		AccessToken string  `json:"access_token"`
		ExpiresIn   float64 `json:"expires_in"`
	}
	if err := p.ask(ctx, http.MethodPost, address, form, &got); err != nil {
		return "", err
	}
	if got.AccessToken == "" {
		return "", errors.New("the sign-in service gives no token")
	}
	lasts := time.Duration(got.ExpiresIn*float64(time.Second)) - 30*time.Second
	p.token = token{got.AccessToken, p.Clock().Add(lasts)}
	return got.AccessToken, nil
}

func (p *Poller) tokenURL(ctx context.Context) (string, error) {
	if p.Settings.TokenURL != "" {
		return p.Settings.TokenURL, nil
	}
	var said struct {
		TokenEndpoint string `json:"token_endpoint"`
	}
	at := strings.TrimSuffix(p.Settings.URL, "/") + "/.well-known/smart-configuration"
	if err := p.ask(ctx, http.MethodGet, at, nil, &said); err != nil {
		return "", fmt.Errorf("smart-configuration: %w; or set fhir-token-url", err)
	}
	if err := CheckURL(said.TokenEndpoint); err != nil {
		return "", fmt.Errorf("smart-configuration names a token_endpoint that %w", err)
	}
	return said.TokenEndpoint, nil
}

// ask reads a short answer in JSON.
func (p *Poller) ask(ctx context.Context, method, at string, form url.Values, into any) error {
	request, err := http.NewRequestWithContext(ctx, method, at, strings.NewReader(form.Encode()))
	if err != nil {
		return err
	}
	request.Header.Set("Accept", "application/json")
	if form != nil {
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	answer, err := p.Client.Do(request)
	if err != nil {
		return err
	}
	defer func() { _ = answer.Body.Close() }()
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("the service answers %s", answer.Status)
	}
	return json.NewDecoder(io.LimitReader(answer.Body, 1<<20)).Decode(into)
}

// assertion says who we are, signed with the private key.
func (p *Poller) assertion(audience string) (string, error) {
	key, algorithm, err := ReadKey(p.Settings.Key)
	if err != nil {
		return "", err
	}
	options := (&jose.SignerOptions{}).WithType("JWT").WithHeader("kid", p.Settings.KeyID)
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: algorithm, Key: key}, options)
	if err != nil {
		return "", err
	}
	claims, err := json.Marshal(map[string]any{
		"iss": p.Settings.ClientID, "sub": p.Settings.ClientID, "aud": audience, "jti": rand.Text(),
		"iat": p.Clock().Unix(), "exp": p.Clock().Add(assertionLasts).Unix(),
	})
	if err != nil {
		return "", err
	}
	signed, err := signer.Sign(claims)
	if err != nil {
		return "", err
	}
	return signed.CompactSerialize()
}

// ReadKey reads a private key in PEM, RSA or P-384, and tells how it signs.
func ReadKey(text []byte) (key any, algorithm jose.SignatureAlgorithm, err error) {
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, "", errors.New("is no private key in PEM")
	}
	if key, err = x509.ParsePKCS8PrivateKey(block.Bytes); err != nil {
		if key, err = x509.ParsePKCS1PrivateKey(block.Bytes); err != nil {
			if key, err = x509.ParseECPrivateKey(block.Bytes); err != nil {
				return nil, "", errors.New("is no private key of RSA or P-384 in PEM")
			}
		}
	}
	switch k := key.(type) {
	case *rsa.PrivateKey:
		return k, jose.RS384, nil
	case *ecdsa.PrivateKey:
		if k.Curve == elliptic.P384() {
			return k, jose.ES384, nil
		}
	}
	return nil, "", errors.New("is a key of another kind; SMART Backend Services take RSA and P-384")
}

// CheckURL refuses an address by which patient data or tokens would be seen on the way.
func CheckURL(text string) error {
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Host == "":
		return errors.New("is no address such as https://host/fhir")
	case u.Scheme == "https":
		return nil
	case u.Scheme == "http" && (u.Hostname() == "localhost" || strings.HasPrefix(u.Hostname(), "127.") || u.Hostname() == "::1"):
		return nil
	}
	return errors.New("is neither https nor on this machine")
}
