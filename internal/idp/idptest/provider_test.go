package idptest

import (
	"net/http"
	"net/url"
	"testing"
)

// The example of RFC 7636, appendix B: a provider that reckons as its client wrongly does
// would let both pass.
func TestChallenge(t *testing.T) {
	const verifier, want = "dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk", "E9Melhoa2OwvFrEMTJguCHaoeK1t8URWbuGJSstw-cM"
	if got := Challenge(verifier); got != want {
		t.Errorf("S256 of the example is %s, want %s", got, want)
	}
}

// A code is given out for a verifier, a redirect address and a program; what differs in
// one of them gets no token, and a code serves once.
func TestACodeServesItsOwnRequestOnce(t *testing.T) {
	const redirect, verifier = "https://falls.example/back", "a verifier"
	p, err := Start(redirect)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	p.Add(User{Subject: "s", Name: "n"})
	asked := url.Values{
		"client_id": {ClientID}, "redirect_uri": {redirect}, "response_type": {"code"}, "scope": {"openid"},
		"state": {"x"}, "code_challenge": {Challenge(verifier)}, "code_challenge_method": {"S256"},
	}
	for name, wrong := range map[string]string{
		"client_id": "another", "redirect_uri": redirect + "/x", "response_type": "token", "scope": "profile",
		"code_challenge": "", "code_challenge_method": "plain",
	} {
		if back, err := p.Approve(p.URL+"/authorize?"+with(asked, name, wrong).Encode(), "s"); err == nil {
			t.Errorf("with %s=%q people are sent to %s", name, wrong, back)
		}
	}
	back, err := p.Approve(p.URL+"/authorize?"+asked.Encode(), "s")
	if err != nil {
		t.Fatal(err)
	}
	to, err := url.Parse(back)
	if err != nil || to.Query().Get("state") != "x" {
		t.Fatalf("people are sent to %s, %v", back, err)
	}
	form := url.Values{
		"grant_type": {"authorization_code"}, "code": {to.Query().Get("code")}, "redirect_uri": {redirect},
		"code_verifier": {verifier}, "client_id": {ClientID}, "client_secret": {ClientSecret},
	}
	hand := func(form url.Values) int {
		t.Helper()
		a, err := http.PostForm(p.URL+"/token", form)
		if err != nil {
			t.Fatal(err)
		}
		_ = a.Body.Close()
		return a.StatusCode
	}
	for name, want := range map[string]int{
		"code": 400, "redirect_uri": 400, "code_verifier": 400, "grant_type": 400, "client_id": 401, "client_secret": 401,
	} {
		if got := hand(with(form, name, "wrong")); got != want {
			t.Errorf("with a wrong %s = %d, want %d", name, got, want)
		}
	}
	if first, second := hand(form), hand(form); first != 200 || second != 400 {
		t.Errorf("a code is taken with %d, and a second time with %d", first, second)
	}
}

func with(form url.Values, name, value string) url.Values {
	changed := url.Values{}
	for k, v := range form {
		changed[k] = v
	}
	changed.Set(name, value)
	return changed
}
