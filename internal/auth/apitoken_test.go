package auth_test

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func TestAPITokenHasOneSpelling(t *testing.T) {
	token := auth.NewAPIToken()
	if !auth.IsAPIToken(token) {
		t.Fatal("a new token is none")
	}
	if token == auth.NewAPIToken() {
		t.Error("two tokens are the same")
	}
	other := func(n int) string { // another letter of the alphabet at a place
		c := "A"
		if token[n] == 'A' {
			c = "B"
		}
		return token[:n] + c + token[n+1:]
	}
	for n := range token {
		if auth.IsAPIToken(other(n)) {
			t.Errorf("a letter changed at %d is not noticed", n)
		}
	}
	for _, s := range []string{"", "plb_", token + "A", token[:len(token)-1], strings.ToLower(token), token + "\n", " " + token} {
		if auth.IsAPIToken(s) {
			t.Errorf("%q is taken for a token", s)
		}
	}
}

func TestAPITokenCheck(t *testing.T) {
	now := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC)
	good := records.APIToken{Name: "bed board", Scopes: []records.Scope{records.ReadList}, Units: []string{"4W"}, ExpiresAt: now.Add(auth.MaxAPITokenLife)}
	if err := auth.CheckAPIToken(good, now); err != nil {
		t.Error(err)
	}
	metrics := records.APIToken{Name: "monitor", Scopes: []records.Scope{records.ReadMetrics}, ExpiresAt: now.AddDate(1, 0, 0)}
	if err := auth.CheckAPIToken(metrics, now); err != nil {
		t.Error("metrics know no unit:", err)
	}
	metrics.Units = []string{"4W"}
	if err := auth.CheckAPIToken(metrics, now); clinical.CodeOf(err) != clinical.Invalid {
		t.Error("a unit of the metrics, which know none:", err)
	}
	for what, change := range map[string]func(*records.APIToken){
		"no name":       func(a *records.APIToken) { a.Name = " " },
		"odd name":      func(a *records.APIToken) { a.Name = "bed  board" },
		"odd unit":      func(a *records.APIToken) { a.Units = []string{"4W\n"} },
		"no scope":      func(a *records.APIToken) { a.Scopes = nil },
		"unknown scope": func(a *records.APIToken) { a.Scopes = []records.Scope{records.ReadList, "list:write"} },
		"no unit":       func(a *records.APIToken) { a.Units = nil },
		"no end":        func(a *records.APIToken) { a.ExpiresAt = time.Time{} },
		"ends now":      func(a *records.APIToken) { a.ExpiresAt = now },
		"too long":      func(a *records.APIToken) { a.ExpiresAt = now.Add(auth.MaxAPITokenLife + time.Second) },
	} {
		bad := good
		change(&bad)
		if err := auth.CheckAPIToken(bad, now); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("%s: %v", what, err)
		}
	}
}

func TestAPITokenReach(t *testing.T) {
	now := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC)
	a := records.APIToken{Scopes: []records.Scope{records.ReadSets}, Units: []string{"4W"}, ExpiresAt: now}
	if !a.Holds(now.Add(-time.Second)) || a.Holds(now) {
		t.Error("a token holds until its end, that moment excluded")
	}
	a.RevokedAt = now.Add(-time.Minute)
	if a.Holds(now.Add(-time.Second)) {
		t.Error("a revoked token holds")
	}
	if !a.May(records.ReadSets) || a.May(records.ReadList) {
		t.Error("a token may what its scopes say")
	}
	if !a.OnUnit("4W") || a.OnUnit("4") || a.OnUnit("") {
		t.Error("a token reaches its units alone")
	}
	a.AllUnits = true
	if !a.OnUnit("7E") || a.OnUnit("") {
		t.Error("a token for all units reaches every unit that has a name")
	}
}
