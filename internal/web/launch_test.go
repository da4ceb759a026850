package web_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/idp"
	"plumbline/internal/idp/idptest"
	"plumbline/internal/web"
	"plumbline/internal/web/account"
)

// openedHere is where the record's patients of these tests are: one on 4W, one on 7E, one nowhere.
var openedHere = map[string]clinical.KnownStay{
	"pat-1": {ID: "S108", Stay: clinical.Stay{Unit: "4W"}},
	"pat-2": {ID: "S201", Stay: clinical.Stay{Unit: "7E"}},
}

// newRecord is a house whose sign-in service is that of a record, which has pat-1 open.
func newRecord(t *testing.T, settings map[string]string) (*house, *visitor) {
	t.Helper()
	h, _ := newHouse(t)
	h.provider.Redirect = publicURL + idp.LaunchBackPath
	h.provider.Context = map[string]any{"patient": "pat-1", "encounter": "enc-1"}
	all := map[string]string{
		"smart-record": h.provider.URL + idptest.RecordPath, "smart-client-id": idptest.ClientID,
		"smart-client-secret": idptest.ClientSecret, "smart-scopes": "launch openid fhirUser",
		"oidc-groups-claim": "groups", "oidc-name-claim": "preferred_username", "oidc-map": "falls = falls-nurse @ 4W",
	}
	for k, v := range settings {
		all[k] = v
	}
	read, err := idp.ReadLaunch(all, publicURL)
	if err != nil {
		t.Fatal(err)
	}
	h.SignInService = nil
	h.Launches = &account.Record{SignIn: idp.New(read, h.Clock, h.Log), Stay: func(_ context.Context, o idp.Opened) (clinical.KnownStay, error) {
		stay, ok := openedHere[o.Patient]
		if !ok {
			return stay, clinical.Errorf(clinical.NotFound, "nobody")
		}
		return stay, nil
	}}
	t.Cleanup(h.Launches.SignIn.Close)
	h.Launches.SignIn.Look(t.Context())
	return h, newVisitor(web.New(h.Deps))
}

// launched is the address with which the record opens a page here.
func (h *house) launched() string {
	return idp.LaunchPath + "?" + url.Values{"iss": {h.provider.URL + idptest.RecordPath}, "launch": {idptest.Launched}}.Encode()
}

func (h *house) launch(t *testing.T, v *visitor) *httptest.ResponseRecorder {
	t.Helper()
	return v.do("GET", h.approved(t, begin(t, v, h.launched()), "s-ann"), nil)
}

// From the record's own screen to the page of the patient in context (SMART App Launch 2.x, EHR launch; from memory).
func TestTheRecordOpensThePageOfItsPatient(t *testing.T) {
	for name, settings := range map[string]map[string]string{"with a secret": {}, "a public client": {"smart-client-secret": ""}} {
		h, v := newRecord(t, settings)
		h.provider.Public = name == "a public client"
		asked, err := url.Parse(begin(t, v, h.launched()))
		if err != nil {
			t.Fatal(err)
		}
		q := asked.Query()
		for name, want := range map[string]string{
			"response_type": "code", "client_id": idptest.ClientID, "redirect_uri": publicURL + "/launch/back",
			"scope": "launch openid fhirUser", "code_challenge_method": "S256", "launch": idptest.Launched,
			"aud": h.provider.URL + idptest.RecordPath,
		} {
			if q.Get(name) != want {
				t.Errorf("the record is asked with %s=%q, want %q", name, q.Get(name), want)
			}
		}
		w := h.launch(t, v)
		if w.Code != 303 || w.Header().Get("Location") != "/stays/S108" || signedInAs(t, v) != "Ann" {
			t.Errorf("%s: back = %d to %q, %s", name, w.Code, w.Header().Get("Location"), words(w))
		}
		if got := h.last(); got != "Ann sign-in allowed: by the record: account made" {
			t.Errorf("%s: the audit says %q", name, got)
		}
		if w := v.do("GET", "/stays/S108", nil); w.Code != 200 {
			t.Errorf("%s: the page = %d", name, w.Code)
		}
	}
}

// A client that proves itself by a key: the record checks a statement that is signed with it (RFC 7523, from memory).
func TestALaunchIsProvedByAKey(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	private := string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
	h, v := newRecord(t, map[string]string{"smart-client-secret": "", "smart-key": private, "smart-key-id": "k1"})
	h.provider.Key = &key.PublicKey
	if w := h.launch(t, v); w.Code != 303 || signedInAs(t, v) != "Ann" {
		t.Errorf("back = %d, %s", w.Code, words(w))
	}
	other, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	h.provider.Key = &other.PublicKey
	if w := h.launch(t, newVisitor(v.handler)); w.Code != 403 || !strings.HasSuffix(h.last(), string(idp.WrongCode)) {
		t.Errorf("with a key that the record does not know = %d, %s", w.Code, h.last())
	}
}

// Whoever comes from the record is who is signed in there, and not who was signed in here.
func TestALaunchTakesOverFromWhoWasSignedIn(t *testing.T) {
	h, v := newRecord(t, nil)
	h.launch(t, v)
	h.provider.Add(idptest.User{Subject: "s-bea", Name: "Bea", Groups: []string{"falls"}})
	if w := v.do("GET", h.approved(t, begin(t, v, h.launched()), "s-bea"), nil); w.Code != 303 || signedInAs(t, v) != "Bea" {
		t.Errorf("back = %d, signed in as %q", w.Code, signedInAs(t, v))
	}
}

// A patient of another unit is answered letter by letter like one who has no stay here.
func TestAPatientOfAnotherUnitIsNobody(t *testing.T) {
	var answers []string
	for _, patient := range []string{"pat-2", "pat-9"} {
		h, v := newRecord(t, nil)
		h.provider.Context = map[string]any{"patient": patient}
		w := h.launch(t, v)
		if w.Code != 404 || !strings.Contains(words(w), "no stay here that you may see") || strings.Contains(w.Body.String(), "S201") {
			t.Errorf("%s = %d, %s", patient, w.Code, words(w))
		}
		answers = append(answers, words(w))
		if w := v.do("GET", "/stays/S201", nil); w.Code != 404 {
			t.Errorf("the page itself = %d", w.Code)
		}
	}
	if answers[0] != answers[1] {
		t.Errorf("the answers differ:\n%s\n%s", answers[0], answers[1])
	}
}

func TestLaunchesThatDoNotHold(t *testing.T) {
	h, first := newRecord(t, nil)
	iss := h.provider.URL + idptest.RecordPath
	launch := func(q url.Values) func(*testing.T, *visitor) *httptest.ResponseRecorder {
		return func(_ *testing.T, v *visitor) *httptest.ResponseRecorder {
			return v.do("GET", idp.LaunchPath+"?"+q.Encode(), nil)
		}
	}
	finish := func(bend func(v *visitor, back string) string) func(*testing.T, *visitor) *httptest.ResponseRecorder {
		return func(t *testing.T, v *visitor) *httptest.ResponseRecorder {
			return v.do("GET", bend(v, h.approved(t, begin(t, v, h.launched()), "s-ann")), nil)
		}
	}
	as := func(change func()) func(*testing.T, *visitor) *httptest.ResponseRecorder {
		return finish(func(_ *visitor, back string) string { change(); return back })
	}
	for name, c := range map[string]struct {
		do     func(*testing.T, *visitor) *httptest.ResponseRecorder
		reason idp.Reason
		status int
	}{
		"another record":        {launch(url.Values{"iss": {"https://evil.example/fhir"}, "launch": {"x"}}), idp.OtherRecord, 403},
		"a record below it":     {launch(url.Values{"iss": {iss + "/other"}, "launch": {"x"}}), idp.OtherRecord, 403},
		"no record":             {launch(url.Values{"launch": {"x"}}), idp.Malformed, 400},
		"two records":           {launch(url.Values{"iss": {iss, "https://evil.example"}, "launch": {"x"}}), idp.Malformed, 400},
		"from nowhere":          {launch(url.Values{"iss": {iss}}), idp.Malformed, 400},
		"from two places":       {launch(url.Values{"iss": {iss}, "launch": {"x", "y"}}), idp.Malformed, 400},
		"from a very long word": {launch(url.Values{"iss": {iss}, "launch": {strings.Repeat("x", 2001)}}), idp.Malformed, 400},
		"a replayed state": {finish(func(v *visitor, back string) string {
			again := newVisitor(v.handler)
			again.cookies["plumbline_launch"] = v.cookies["plumbline_launch"]
			if w := again.do("GET", back, nil); w.Code != 303 {
				t.Errorf("the first time = %d", w.Code)
			}
			return back
		}), idp.UsedState, 400},
		"another state": {finish(func(_ *visitor, back string) string { return strings.Replace(back, "state=", "state=x", 1) }), idp.WrongState, 400},
		"a flow of the sign-in service": {finish(func(v *visitor, back string) string {
			v.cookies["plumbline_launch"].Name = "plumbline_sign_in"
			return back
		}), idp.NotBegun, 400},
		"a sealed flow under another name": {finish(func(v *visitor, back string) string {
			sealed, err := h.Accounts.Seal(t.Context(), "plumbline_sign_in", []byte(`{"State":"x"}`))
			if err != nil {
				t.Fatal(err)
			}
			v.cookies["plumbline_launch"].Value = sealed
			return back
		}), idp.NotBegun, 400},
		"denied": {func(t *testing.T, v *visitor) *httptest.ResponseRecorder {
			u, _ := url.Parse(begin(t, v, h.launched()))
			return v.do("GET", idp.LaunchBackPath+"?error=access_denied&state="+u.Query().Get("state"), nil)
		}, idp.Denied, 403},
		"too late":                  {as(func() { h.ahead = idp.FlowLife + time.Second }), idp.TooLate, 400},
		"another issuer":            {finish(func(_ *visitor, back string) string { return back + "&iss=https%3A%2F%2Fevil.example" }), idp.WrongIssuer, 403},
		"issued elsewhere":          {as(func() { h.provider.Claims = func(c map[string]any) { c["iss"] = "https://evil.example" } }), idp.WrongToken, 403},
		"another program":           {as(func() { h.provider.Claims = func(c map[string]any) { c["aud"] = []string{"another"} } }), idp.WrongToken, 403},
		"another nonce":             {as(func() { h.provider.Claims = func(c map[string]any) { c["nonce"] = "x" } }), idp.WrongNonce, 403},
		"forged":                    {as(func() { h.provider.Token = func(raw string) string { return h.provider.Forge(idptest.ClaimsOf(raw)) } }), idp.WrongToken, 403},
		"no ID token":               {as(func() { h.provider.Token = func(string) string { return "" } }), idp.NoToken, 403},
		"no patient":                {as(func() { h.provider.Context = map[string]any{} }), idp.NoPatient, 403},
		"an odd patient":            {as(func() { h.provider.Context = map[string]any{"patient": "../Patient/1"} }), idp.NoPatient, 403},
		"a patient that is no text": {as(func() { h.provider.Context = map[string]any{"patient": 7} }), idp.NoPatient, 403},
		"an odd visit":              {as(func() { h.provider.Context = map[string]any{"patient": "p", "encounter": "a b"} }), idp.NoPatient, 403},
	} {
		t.Run(name, func(t *testing.T) {
			h.provider.Claims, h.provider.Token, h.ahead, h.entries = nil, nil, 0, nil
			h.provider.Context = map[string]any{"patient": "pat-1"}
			v := newVisitor(first.handler)
			w := c.do(t, v)
			if w.Code != c.status {
				t.Errorf("= %d, want %d: %s", w.Code, c.status, words(w))
			}
			checkMarkup(t, "the refusal", w.Body.String())
			if got, want := h.last(), " sign-in refused: by the record: "+string(c.reason); got != want {
				t.Errorf("the audit says %q, want %q", got, want)
			}
			if signedInAs(t, v) != "" {
				t.Errorf("signed in as %q with %v", signedInAs(t, v), v.cookies)
			}
		})
	}
}

// A record that cannot be found, and one that does not take PKCE, sign nobody in.
func TestARecordThatCannotBeUsed(t *testing.T) {
	for name, change := range map[string]func(says map[string]any){
		"no PKCE": func(says map[string]any) { delete(says, "code_challenge_methods_supported") },
		"no keys": func(says map[string]any) { delete(says, "jwks_uri") },
		"in the clear": func(says map[string]any) {
			says["token_endpoint"] = "http://record.example/token"
		},
	} {
		h, _ := newRecord(t, nil)
		h.provider.Discovery = change
		h.Launches.SignIn = idp.New(h.Launches.SignIn.Settings, h.Clock, h.Log)
		t.Cleanup(h.Launches.SignIn.Close)
		h.Launches.SignIn.Look(t.Context())
		v := newVisitor(web.New(h.Deps))
		if w := v.do("GET", h.launched(), nil); w.Code != 503 || !strings.HasSuffix(h.last(), string(idp.Unreachable)) {
			t.Errorf("%s = %d, %s", name, w.Code, h.last())
		}
	}
}

func TestWithoutARecordNothingIsLaunched(t *testing.T) {
	d, _ := open(t)
	v := newVisitor(web.New(d))
	for _, path := range []string{idp.LaunchPath + "?iss=x&launch=y", idp.LaunchBackPath} {
		if w := v.do("GET", path, nil); w.Code != 404 {
			t.Errorf("%s = %d", path, w.Code)
		}
	}
}

// Where the record gives the right, patient and visit are read there, with the token of that answer; else not.
func TestTheRecordIsReadWhereItMayBe(t *testing.T) {
	for scopes, want := range map[string]string{
		"launch openid fhirUser": "", "launch openid patient/Patient.r": "a patient", "launch openid user/Encounter.rs": " a visit",
		"launch openid patient/*.read": "a patient a visit", "launch openid system/*.r patient/Patient.cud": "",
	} {
		h, _ := newRecord(t, map[string]string{"smart-scopes": scopes})
		h.provider.Resources = map[string]string{"Patient/pat-1": "a patient", "Encounter/enc-1": " a visit"}
		var got string
		h.Launches.Stay = func(_ context.Context, o idp.Opened) (clinical.KnownStay, error) {
			got = string(o.PatientJSON) + string(o.EncounterJSON)
			return openedHere["pat-1"], nil
		}
		if w := h.launch(t, newVisitor(web.New(h.Deps))); w.Code != 303 || got != want {
			t.Errorf("%s: %d, read %q, want %q", scopes, w.Code, got, want)
		}
	}
}
