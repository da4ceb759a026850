package outbox

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"

	"plumbline/internal/smart"
)

// OverFHIR sends transactions to a FHIR server.
type OverFHIR struct {
	URL    string // base address
	Maker  FHIRMaker
	Client *http.Client
	SignIn *smart.SignIn // nil, or without a client's name: nobody signs in
}

// Close implements Transport.
func (*OverFHIR) Close() {}

// Send implements Transport. A token that is not taken any more is renewed once.
func (o *OverFHIR) Send(ctx context.Context, i Item) Result {
	body := o.Maker.Bundle(i)
	for renewed := false; ; renewed = true {
		r, signIn := o.once(ctx, body)
		if !signIn || renewed {
			return r
		}
		o.SignIn.Forget()
	}
}

// once sends once; signIn reports that the token was not taken.
func (o *OverFHIR) once(ctx context.Context, body []byte) (r Result, signIn bool) {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, strings.TrimSuffix(o.URL, "/"), bytes.NewReader(body))
	if err != nil {
		return Result{Unreachable, short(err.Error())}, false
	}
	request.Header.Set("Content-Type", "application/fhir+json")
	request.Header.Set("Accept", "application/fhir+json")
	signs := o.SignIn != nil && o.SignIn.Settings.ClientID != ""
	if signs {
		bearer, err := o.SignIn.Bearer(ctx)
		if err != nil {
			return Result{Unreachable, "signing in: " + plainError(withoutAddress(err))}, false
		}
		request.Header.Set("Authorization", "Bearer "+bearer)
	}
	answer, err := o.Client.Do(request)
	if err != nil {
		return Result{outcomeOf(err), "no answer came: " + plainError(withoutAddress(err))}, false
	}
	defer func() { _ = answer.Body.Close() }()
	text, err := io.ReadAll(io.LimitReader(answer.Body, largestBody))
	if err != nil {
		return Result{Again, "no whole answer came: " + plainError(err)}, false
	}
	if answer.StatusCode == http.StatusUnauthorized {
		return Result{Unreachable, "the server asks to sign in: " + answer.Status}, signs
	}
	return answered(answer.StatusCode, answer.Status, text), false
}

// largestBody is how many bytes of an answer are read.
const largestBody = 4 << 20

// outcomeOf tells an address where nobody is from an answer that did not come.
func outcomeOf(err error) Outcome {
	if text := err.Error(); strings.Contains(text, "dial tcp") || strings.Contains(text, "no such host") {
		return Unreachable
	}
	return Again
}

func withoutAddress(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// answered is what a status says: 2xx takes the transaction, 5xx and those that ask for patience (408,
// 425, 429) ask for another attempt, any other refuses it.
func answered(code int, status string, text []byte) Result {
	said := status
	if why := diagnosis(text); why != "" {
		said += ": " + short(why)
	}
	switch {
	case code >= 200 && code < 300:
		return eachTaken(status, text)
	case code >= 500, code == http.StatusRequestTimeout, code == http.StatusTooEarly, code == http.StatusTooManyRequests:
		return Result{Again, said}
	}
	return Result{Refused, said}
}

// eachTaken looks at what the answer says of each entry: a server must not take a part alone.
func eachTaken(status string, text []byte) Result {
	var b struct {
		Entry []struct {
			Response struct {
				Status string `json:"status"`
			} `json:"response"`
		} `json:"entry"`
	}
	if len(bytes.TrimSpace(text)) > 0 {
		if err := json.Unmarshal(text, &b); err != nil {
			return Result{Again, "the answer cannot be read"}
		}
	}
	for n, e := range b.Entry {
		if s := e.Response.Status; strings.HasPrefix(s, "4") {
			return Result{Refused, fmt.Sprintf("entry %d: %s", n+1, short(s))}
		} else if strings.HasPrefix(s, "5") {
			return Result{Again, fmt.Sprintf("entry %d: %s", n+1, short(s))}
		}
	}
	return Result{Taken, status}
}

// diagnosis is the first issue of an OperationOutcome.
func diagnosis(text []byte) string {
	var o struct {
		Issue []struct {
			Code        string `json:"code"`
			Diagnostics string `json:"diagnostics"`
			Details     struct {
				Text string `json:"text"`
			} `json:"details"`
		} `json:"issue"`
	}
	if json.Unmarshal(text, &o) != nil || len(o.Issue) == 0 {
		return ""
	}
	i := o.Issue[0]
	return strings.Join(strings.Fields(i.Code+" "+i.Details.Text+" "+i.Diagnostics), " ")
}
