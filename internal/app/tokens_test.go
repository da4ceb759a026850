package app

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/drill"
	"plumbline/internal/records"
)

// addToken makes a token by the command line and returns what it printed.
func addToken(t *testing.T, database, name string, flags ...string) string {
	t.Helper()
	out := runCommand(t, database, append([]string{"token", "add", "--name", name}, flags...)...)
	m := regexp.MustCompile(`(?m)^token (\S+)$`).FindStringSubmatch(out)
	if m == nil {
		t.Fatalf("no token in %q", out)
	}
	return m[1]
}

// asMachine asks with a token.
func asMachine(t *testing.T, url, token string) (code int, body string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+token)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = answer.Body.Close() }()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, string(b)
}

// A token made and revoked by command opens and shuts the API of a running server, its
// use is listed to the hour, and the audit holds it all in one chain.
func TestATokenByCommandAtARunningServer(t *testing.T) {
	drill.Long(t)
	database := filepath.Join(t.TempDir(), "test.db")
	feed := filepath.Join(t.TempDir(), "feed")
	if err := writeDemoFeed(feed, time.Now()); err != nil {
		t.Fatal(err)
	}
	env := map[string]string{"PLUMBLINE_DATABASE": database}
	if code := Run(t.Context(), []string{"load", feed}, func(name string) string { return env[name] }, nil, io.Discard, io.Discard); code != 1 {
		t.Fatalf("load = %d, want 1: the demo holds rows back", code)
	}
	token := addToken(t, database, "bed board", "--scope", "list:read,sets:read", "--unit", "4W")
	site, stop := start(t, []string{"serve", "--listen", "127.0.0.1:0"}, env)
	for path, want := range map[string]int{"/api/v1/units/4W/list": 200, "/api/v1/stays/S102/sets": 200, "/api/v1/units/7E/list": 404, "/metrics": 403, "/units/4W": 403} {
		if code, body := asMachine(t, site+path, token); code != want {
			t.Errorf("GET %s with the token = %d, want %d: %.100s", path, code, want, body)
		}
	}
	var listed struct {
		Tokens []struct {
			Used *time.Time `json:"last_used_hour"`
		}
	}
	if err := json.Unmarshal([]byte(runCommand(t, database, "token", "list", "--format", "json")), &listed); err != nil {
		t.Fatal(err)
	}
	if used := listed.Tokens[0].Used; used == nil || !used.Equal(used.Truncate(time.Hour)) || time.Since(*used) > 2*time.Hour {
		t.Errorf("last used %v, want the hour", used)
	}
	runCommand(t, database, "token", "revoke", "--name", "bed board")
	if code, _ := asMachine(t, site+"/api/v1/units/4W/list", token); code != 401 {
		t.Errorf("with the revoked token = %d", code)
	}
	if code := stop(); code != 0 {
		t.Errorf("exit code %d", code)
	}
	chain := runCommand(t, database, "audit", "export", "--who", "token bed board")
	for _, want := range []string{`"what":"GET /api/v1/units/:unit/list","unit":"4W"`, `"outcome":"refused","note":"expired or revoked"`, `"stay":"S102"`} {
		if !strings.Contains(chain, want) {
			t.Errorf("the audit holds no %s:\n%s", want, chain)
		}
	}
	if out := runCommand(t, database, "audit", "verify"); !strings.Contains(out, "the audit holds") {
		t.Error(out)
	}
}

// A token comes back from either engine as it was made.
func TestTokensAreKept(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		now := time.Date(2026, 11, 25, 12, 30, 0, 0, time.UTC)
		p := newProcess(t, database, now)
		s, _, err := p.parse("test", nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		site, err := p.open(t.Context(), s)
		if err != nil {
			t.Fatal(err)
		}
		defer site.close()
		machines := p.newTokens(site)
		for _, units := range [][]string{{"4W", "7E"}, {auth.AllUnits}} {
			wanted := auth.ParseAPIToken("machine "+units[0], []string{"list:read", "metrics:read"}, units, now.Add(time.Hour))
			secret, _, err := machines.Make(t.Context(), wanted, "root")
			if err != nil {
				t.Fatal(err)
			}
			got, err := machines.Resolve(t.Context(), secret)
			if err != nil || got.Words() != wanted.Words() || got.MadeBy != "root" || !got.MadeAt.Equal(now) || !got.ExpiresAt.Equal(wanted.ExpiresAt) || got.OnUnit("9Z") != wanted.AllUnits {
				t.Errorf("kept %+v, want %+v: %v", got, wanted, err)
			}
			if kept, err := machines.Named(t.Context(), strings.ToUpper(wanted.Name)); err != nil || !kept.UsedAt.Equal(now.Truncate(time.Hour)) {
				t.Errorf("the last use is kept as %s: %v", kept.UsedAt, err)
			}
		}
	})
}

// A change from the command line that cannot be recorded is not made; one that fails is
// recorded as such.
func TestChangesByCommandAreRecordedFirst(t *testing.T) {
	st := auditStoreOf(t)
	s := &site{store: st}
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	broken := errors.New("broken")
	if err := s.audited(t.Context(), now, "user add", "a", func() error { return broken }); !errors.Is(err, broken) {
		t.Errorf("the change's error: %v", err)
	}
	var said bytes.Buffer
	if _, _, err := st.Audit(t.Context(), records.AuditQuery{}, func(e records.AuditEntry) error {
		said.WriteString(e.Who + " " + e.Did + " " + e.What + " " + e.Outcome + " " + e.Note + "\n")
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if want := "command line " + audit.Manage + " user add allowed a\ncommand line " + audit.Manage + " user add failed a\n"; said.String() != want {
		t.Errorf("recorded %q, want %q", said.String(), want)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	made := false
	if err := s.audited(ended, now, "user add", "b", func() error { made = true; return nil }); err == nil || made {
		t.Errorf("what cannot be recorded is done: %v, %v", made, err)
	}
}
