// Package smart signs in at FHIR servers with a private key: by SMART Backend Services, where nobody is there, and
// as the program whose user comes back from a sign-in.
package smart

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
	"strings"
	"time"

	"github.com/go-jose/go-jose/v4"

	"plumbline/internal/clinical"
)

// Settings are who signs in. Without a ClientID nobody does.
type Settings struct {
	ClientID string
	Key      []byte // private key in PEM: RSA or P-384
	KeyID    string
	TokenURL string // none: as the server's smart-configuration says
	Scope    string
}

// SignIn signs in at one server. It is for one goroutine at a time.
type SignIn struct {
	Settings Settings
	URL      string // of the FHIR server
	Client   *http.Client
	Clock    clinical.Clock

	token token
}

// Forget has the next Bearer ask for a new token.
func (s *SignIn) Forget() { s.token = token{} }

// token is a bearer token of SMART Backend Services, until it ends.
type token struct {
	value string
	until time.Time
}

// assertionLasts is how long a signed statement of who we are holds; five minutes are the most.
const assertionLasts = 4 * time.Minute

// Bearer is a token that holds for a while still.
func (s *SignIn) Bearer(ctx context.Context) (string, error) {
	if s.token.value != "" && s.Clock().Before(s.token.until) {
		return s.token.value, nil
	}
	address, err := s.tokenURL(ctx)
	if err != nil {
		return "", err
	}
	assertion, err := Assertion(s.Settings, address, s.Clock())
	if err != nil {
		return "", err
	}
	form := url.Values{
		"grant_type": {"client_credentials"}, "scope": {s.Settings.Scope}, "client_assertion": {assertion},
		"client_assertion_type": {AssertionType},
	}
	var got struct {
		AccessToken string  `json:"access_token"`
		ExpiresIn   float64 `json:"expires_in"`
	}
	if err := s.ask(ctx, http.MethodPost, address, form, &got); err != nil {
		return "", err
	}
	if got.AccessToken == "" {
		return "", errors.New("the sign-in service gives no token")
	}
	lasts := time.Duration(got.ExpiresIn*float64(time.Second)) - 30*time.Second
	s.token = token{got.AccessToken, s.Clock().Add(lasts)}
	return got.AccessToken, nil
}

func (s *SignIn) tokenURL(ctx context.Context) (string, error) {
	if s.Settings.TokenURL != "" {
		return s.Settings.TokenURL, nil
	}
	var said struct {
		TokenEndpoint string `json:"token_endpoint"`
	}
	at := strings.TrimSuffix(s.URL, "/") + "/.well-known/smart-configuration"
	if err := s.ask(ctx, http.MethodGet, at, nil, &said); err != nil {
		return "", fmt.Errorf("smart-configuration: %w; or set the address of the token service", err)
	}
	if err := CheckURL(said.TokenEndpoint); err != nil {
		return "", fmt.Errorf("smart-configuration names a token_endpoint that %w", err)
	}
	return said.TokenEndpoint, nil
}

// ask reads a short answer in JSON.
func (s *SignIn) ask(ctx context.Context, method, at string, form url.Values, into any) error {
	request, err := http.NewRequestWithContext(ctx, method, at, strings.NewReader(form.Encode()))
	if err != nil {
		return err
	}
	request.Header.Set("Accept", "application/json")
	if form != nil {
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	answer, err := s.Client.Do(request)
	if err != nil {
		return err
	}
	defer func() { _ = answer.Body.Close() }()
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("the service answers %s", answer.Status)
	}
	return json.NewDecoder(io.LimitReader(answer.Body, 1<<20)).Decode(into)
}

// AssertionType is the type of an assertion (RFC 7523).
const AssertionType = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"

// Assertion says to a token service who asks, signed with the private key (private_key_jwt).
func Assertion(who Settings, audience string, now time.Time) (string, error) {
	key, algorithm, err := ReadKey(who.Key)
	if err != nil {
		return "", err
	}
	options := (&jose.SignerOptions{}).WithType("JWT").WithHeader("kid", who.KeyID)
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: algorithm, Key: key}, options)
	if err != nil {
		return "", err
	}
	claims, err := json.Marshal(map[string]any{
		"iss": who.ClientID, "sub": who.ClientID, "aud": audience, "jti": rand.Text(),
		"iat": now.Unix(), "exp": now.Add(assertionLasts).Unix(),
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
