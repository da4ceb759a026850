package idp

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"plumbline/internal/smart"
)

// The record opens pages here by SMART App Launch 2.x (the launch from the record, with PKCE; from memory of
// the published standard): it sends a browser with its own address (iss) and a word that means the place from
// which it was sent (launch). The browser goes to the record's own sign-in and comes back with a code, and the
// answer to the code names, beside who it is, the patient and the visit in context.

// The paths of a launch: where the record sends browsers, and where its sign-in sends them back to.
const (
	LaunchPath     = "/launch"
	LaunchBackPath = "/launch/back"
)

// maxLaunch bounds the word that means where a launch comes from, in bytes: it travels in an address.
const maxLaunch = 2000

// The reasons of a launch alone.
const (
	OtherRecord Reason = "the launch names another record"
	NoPatient   Reason = "the record named no patient"
)

// Opened is what the record has in context. The ids are its own (Patient.id, Encounter.id), not numbers of
// patients or visits.
type Opened struct {
	Patient   string
	Encounter string // "" where the record names none
	// PatientJSON and EncounterJSON are these resources as the record gives them; nil where it gave no right to
	// read them, or does not give them.
	PatientJSON, EncounterJSON []byte
}

// fhirID is what an id may be (FHIR R4, datatype id).
var fhirID = regexp.MustCompile(`^[A-Za-z0-9.-]{1,64}$`)

// Launch starts a sign-in at the record from which a browser was sent with q. The error is a *Refusal: of a
// launch that names another record nothing is asked, whatever its address.
func (s *Service) Launch(q url.Values) (address string, f Flow, err error) {
	iss, launch := q["iss"], q["launch"]
	switch {
	case len(iss) != 1 || len(launch) != 1 || launch[0] == "" || len(launch[0]) > maxLaunch:
		return "", f, refuse(Malformed, nil)
	case strings.TrimSuffix(iss[0], "/") != strings.TrimSuffix(s.Record, "/"):
		return "", f, refuse(OtherRecord, nil)
	}
	return s.begin(Flow{},
		oauth2.SetAuthURLParam("aud", iss[0]), // the address as the record writes it: some compare letter by letter
		oauth2.SetAuthURLParam("launch", launch[0]))
}

// findRecord asks the record for the addresses of its sign-in.
func (s *Service) findRecord(ctx context.Context) (*found, error) {
	var says struct {
		Issuer  string   `json:"issuer"`
		Auth    string   `json:"authorization_endpoint"`
		Token   string   `json:"token_endpoint"`
		Keys    string   `json:"jwks_uri"`
		Methods []string `json:"code_challenge_methods_supported"`
		AuthBy  []string `json:"token_endpoint_auth_methods_supported"`
	}
	raw, err := s.get(ctx, s.Record+"/.well-known/smart-configuration", "")
	if err == nil {
		err = json.Unmarshal(raw, &says)
	}
	if err != nil {
		return nil, plain(err)
	}
	for name, address := range map[string]string{
		"issuer": says.Issuer, "authorization_endpoint": says.Auth, "token_endpoint": says.Token, "jwks_uri": says.Keys,
	} {
		if err := checkAddress(address); err != nil {
			return nil, fmt.Errorf("its %s %w", name, err)
		}
	}
	if !slices.Contains(says.Methods, "S256") {
		return nil, errors.New("it does not take PKCE with S256, which SMART App Launch 2 asks of it")
	}
	endpoint := oauth2.Endpoint{AuthURL: says.Auth, TokenURL: says.Token, AuthStyle: oauth2.AuthStyleInHeader}
	byHeader := len(says.AuthBy) == 0 || slices.Contains(says.AuthBy, "client_secret_basic")
	if s.ClientSecret == "" || !byHeader {
		endpoint.AuthStyle = oauth2.AuthStyleInParams
	}
	provider := (&oidc.ProviderConfig{
		IssuerURL: says.Issuer, AuthURL: says.Auth, TokenURL: says.Token, JWKSURL: says.Keys,
		Algorithms: []string{oidc.RS256, oidc.RS384, oidc.ES256, oidc.ES384},
	}).NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), s.http))
	return &found{
		provider: provider, issuer: says.Issuer,
		verifier: provider.Verifier(&oidc.Config{ClientID: s.ClientID, Now: s.clock}),
		oauth: oauth2.Config{
			ClientID: s.ClientID, ClientSecret: s.ClientSecret, Endpoint: endpoint, RedirectURL: s.Redirect(), Scopes: s.Scopes,
		},
	}, nil
}

// proof is with what the program proves itself when it hands in a code, beside a secret: nothing, or a statement
// signed by its key.
func (s *Service) proof(at *found) ([]oauth2.AuthCodeOption, error) {
	if len(s.Key) == 0 {
		return nil, nil
	}
	says, err := smart.Assertion(smart.Settings{ClientID: s.ClientID, Key: s.Key, KeyID: s.KeyID}, at.oauth.Endpoint.TokenURL, s.clock())
	if err != nil {
		return nil, err
	}
	return []oauth2.AuthCodeOption{
		oauth2.SetAuthURLParam("client_assertion", says), oauth2.SetAuthURLParam("client_assertion_type", smart.AssertionType),
	}, nil
}

// opened is what the answer to the code names as being in context.
func (s *Service) opened(ctx context.Context, tokens *oauth2.Token) (o Opened, err error) {
	o.Patient, _ = tokens.Extra("patient").(string)
	o.Encounter, _ = tokens.Extra("encounter").(string)
	if !fhirID.MatchString(o.Patient) || o.Encounter != "" && !fhirID.MatchString(o.Encounter) {
		return Opened{}, refuse(NoPatient, nil)
	}
	given, _ := tokens.Extra("scope").(string)
	o.PatientJSON = s.resource(ctx, tokens, given, "Patient", o.Patient)
	if o.Encounter != "" {
		o.EncounterJSON = s.resource(ctx, tokens, given, "Encounter", o.Encounter)
	}
	return o, nil
}

// resource reads a resource of the record where the token may; nil where it may not, or the record does not give it.
func (s *Service) resource(ctx context.Context, tokens *oauth2.Token, given, kind, id string) []byte {
	may := slices.ContainsFunc(strings.Fields(given), func(scope string) bool {
		whose, of, _ := strings.Cut(scope, "/")
		what, how, _ := strings.Cut(of, ".")
		// "read" in version 1 of SMART, "rs" and the like, with or without a query, in version 2.
		return (whose == "patient" || whose == "user") && (what == kind || what == "*") && strings.HasPrefix(how, "r")
	})
	if !may {
		return nil
	}
	raw, err := s.get(ctx, s.Record+"/"+kind+"/"+id, tokens.AccessToken)
	if err != nil {
		s.log.Warn("the record did not give the "+kind+" that it has in context", "error", plain(err))
		return nil
	}
	return raw
}

// get reads a JSON document of the record.
func (s *Service) get(ctx context.Context, address, token string) ([]byte, error) {
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, err
	}
	q.Header.Set("Accept", "application/json, application/fhir+json")
	if token != "" {
		q.Header.Set("Authorization", "Bearer "+token)
	}
	a, err := s.http.Do(q)
	if err != nil {
		return nil, err
	}
	defer func() { _ = a.Body.Close() }()
	if a.StatusCode != http.StatusOK {
		return nil, errors.New(a.Status)
	}
	return io.ReadAll(a.Body)
}
