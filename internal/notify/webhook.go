package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// Webhook posts messages, signed by the Standard Webhooks scheme, version 1.0.0,
// symmetric.
type Webhook struct {
	url    string
	key    []byte
	client *http.Client
}

// Limits of one attempt.
const (
	webhookTimeout = 10 * time.Second
	maxAnswer      = 64 << 10 // read of an answer, so that its connection can serve again
)

// Bytes of a secret. Source: Standard Webhooks 1.0.0, 24 to 64 bytes.
const (
	minSecret = 24
	maxSecret = 64
)

// NewWebhook checks an address and a secret. The secret is base64, with or
// without the scheme's prefix whsec_. Errors hold neither.
func NewWebhook(address, secret string) (*Webhook, error) {
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		return nil, errors.New("webhook-url is no address; write it as https://receiver.example/path")
	case u.User != nil || u.Fragment != "":
		return nil, errors.New("webhook-url holds a user or a fragment; the signature says who sends, leave them out")
	case u.Scheme == "http" && !loopback(u.Hostname()):
		return nil, errors.New("webhook-url is not https; http is for a receiver on this machine alone")
	}
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil || len(key) < minSecret || len(key) > maxSecret {
		return nil, fmt.Errorf(
			"webhook-secret is not the base64 of %d to %d random bytes; make one with: openssl rand -base64 32",
			minSecret, maxSecret)
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12}
	return &Webhook{url: address, key: key, client: &http.Client{
		Transport: transport, Timeout: webhookTimeout,
		// The message is for this address and for no other.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Name is the channel's name.
func (*Webhook) Name() string { return "webhook" }

// TellsAtOnce: a webhook tells notices of every tier.
func (*Webhook) TellsAtOnce(string) bool { return true }

// Sign is the signature of a message at a moment.
func (w *Webhook) Sign(id string, at time.Time, body []byte) string {
	mac := hmac.New(sha256.New, w.key)
	_, _ = fmt.Fprintf(mac, "%s.%d.", id, at.Unix())
	_, _ = mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

// Send posts a message once. at is the moment of the attempt, which is signed.
func (w *Webhook) Send(ctx context.Context, m Message, at time.Time) *Failure {
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url, bytes.NewReader(m.JSON))
	if err != nil {
		return &Failure{Why: "the request cannot be made; check webhook-url", Final: true}
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "plumbline")
	r.Header.Set("webhook-id", m.ID)
	r.Header.Set("webhook-timestamp", strconv.FormatInt(at.Unix(), 10))
	r.Header.Set("webhook-signature", w.Sign(m.ID, at, m.JSON))
	answer, err := w.client.Do(r)
	if err != nil {
		return &Failure{Why: "the receiver was not reached: " + clean(reason(err))}
	}
	defer func() { _ = answer.Body.Close() }()
	_, _ = io.CopyN(io.Discard, answer.Body, maxAnswer)
	if answer.StatusCode >= 200 && answer.StatusCode < 300 {
		return nil
	}
	return &Failure{
		Why:   fmt.Sprintf("the receiver answered %d %s", answer.StatusCode, http.StatusText(answer.StatusCode)),
		Final: refused(answer.StatusCode), After: retryAfter(answer.Header.Get("Retry-After"), at),
	}
}

// reason is an error without the address that it names: a token may be part of it.
func reason(err error) string {
	var u *url.Error
	if errors.As(err, &u) {
		if u.Timeout() {
			return "no answer in time"
		}
		err = u.Err
	}
	return err.Error()
}

// refused: a redirect and what is wrong with the request will not mend by itself.
func refused(status int) bool {
	switch status {
	case http.StatusRequestTimeout, http.StatusTooEarly, http.StatusTooManyRequests:
		return false
	}
	return status >= 300 && status < 500
}

// retryAfter reads seconds, or a date as RFC 9110 has it; 0 where it says nothing.
func retryAfter(s string, now time.Time) time.Duration {
	if n, err := strconv.Atoi(s); err == nil {
		return time.Duration(min(max(n, 0), int(maxAsked/time.Second))) * time.Second
	}
	if t, err := http.ParseTime(s); err == nil {
		return min(max(0, t.Sub(now)), maxAsked)
	}
	return 0
}
