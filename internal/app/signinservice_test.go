package app

import (
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/internal/drill"
	"plumbline/internal/idp"
	"plumbline/internal/idp/idptest"
)

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().String()
}

// The program starts while the sign-in service is away, says so, and finds it by
// itself; somebody is then signed in over real connections, and stands in the audit.
func TestServeWithASignInService(t *testing.T) {
	drill.Long(t)
	dir := t.TempDir()
	database, secretFile, issuer, own := filepath.Join(dir, "test.db"), filepath.Join(dir, "secret"), freeAddress(t), freeAddress(t)
	if err := os.WriteFile(secretFile, []byte(idptest.ClientSecret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	env := map[string]string{
		"PLUMBLINE_DATABASE": database, "PLUMBLINE_LOG_LEVEL": "debug", "PLUMBLINE_PUBLIC_URL": "http://" + own,
		"PLUMBLINE_OIDC_ISSUER": "http://" + issuer, "PLUMBLINE_OIDC_CLIENT_ID": idptest.ClientID,
		"PLUMBLINE_OIDC_CLIENT_SECRET_FILE": secretFile, "PLUMBLINE_OIDC_MAP": "falls = falls-nurse @ 4W",
	}
	addUser(t, database, "ann", "administrator")
	site, said, stop := startAndSay(t, []string{"serve", "--listen", own}, env)
	within(t, "the log says that the service is away", func() bool { return strings.Contains(said(), "sign-in service cannot be used") })
	if code, page := get(t, site+"/sign-in"); code != 200 || !strings.Contains(page, "sign-in service cannot be reached") {
		t.Errorf("the sign-in page (%d) does not say that the service is away", code)
	}

	p, err := idptest.StartAt(issuer, site+idp.BackPath)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	p.Add(idptest.User{Subject: "s-bea", Name: "bea", Groups: []string{"falls"}})
	p.Add(idptest.User{Subject: "s-ann", Name: "ann", Groups: []string{"falls"}})
	within(t, "the service is found", func() bool { return strings.Contains(said(), "sign-in service was found") })

	arrive := func(subject string) (*http.Client, int) {
		t.Helper()
		client := browser(t)
		client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
		r, err := client.Get(site + "/sign-in/oidc?next=%2Faccount")
		if err != nil {
			t.Fatal(err)
		}
		_ = r.Body.Close()
		back, err := p.Approve(r.Header.Get("Location"), subject)
		if err != nil {
			t.Fatal(err)
		}
		client.CheckRedirect = nil
		code, _ := getBy(t, client, back)
		return client, code
	}
	bea, code := arrive("s-bea")
	if _, page := getBy(t, bea, site+"/account"); code != 200 || !strings.Contains(page, "Signed in as") || !strings.Contains(page, ">bea</a>") {
		t.Errorf("bea is not signed in (%d)", code)
	}
	if _, code := arrive("s-ann"); code != http.StatusForbidden {
		t.Errorf("with the name of a local account = %d", code)
	}
	// Whoever runs the program says that the two are one.
	if out := runCommand(t, database, "user", "link", "--name", "ann", "--subject", "s-ann", "--issuer", "http://"+issuer); !strings.Contains(out, "linked ann") {
		t.Errorf("user link says %q", out)
	}
	if _, code := arrive("s-ann"); code != 200 {
		t.Errorf("once the two are linked = %d", code)
	}
	list := runCommand(t, database, "user", "list")
	if strings.Count(list, "active, by the sign-in service") != 2 || !strings.Contains(list, "falls-nurse") {
		t.Errorf("user list says %s", list)
	}
	if got := runCommand(t, database, "user", "list", "--format", "json"); !strings.Contains(got, `"subject": "s-bea"`) {
		t.Errorf("user list says %s", got)
	}
	if code := stop(); code != 0 {
		t.Errorf("exit code %d", code)
	}
	export := runCommand(t, database, "audit", "export", "--format", "csv")
	for _, want := range []string{"by the sign-in service: account made", "another account has the name; subject s-ann"} {
		if !strings.Contains(export, want) {
			t.Errorf("the audit does not say %q: %s", want, export)
		}
	}
	for what, text := range map[string]string{"log": said(), "audit": export} {
		if strings.Contains(text, idptest.ClientSecret) || strings.Contains(text, "code=") || strings.Contains(text, "eyJ") {
			t.Errorf("the %s holds a secret, a code or a token: %s", what, text)
		}
	}
}
