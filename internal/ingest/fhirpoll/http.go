package fhirpoll

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"plumbline/internal/smart"
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
			p.signIn().Forget()
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
	if p.Settings.SignIn.ClientID != "" {
		bearer, err := p.signIn().Bearer(ctx)
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

// signIn is how the poller signs in, made once.
func (p *Poller) signIn() *smart.SignIn {
	if p.signedIn == nil {
		p.signedIn = &smart.SignIn{Settings: p.Settings.SignIn, URL: p.Settings.URL, Client: p.Client, Clock: p.Clock}
	}
	return p.signedIn
}
