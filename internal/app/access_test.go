package app

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"plumbline/internal/drill"
	"plumbline/internal/records"
	"regexp"
	"strings"
	"testing"
	"time"
)

// addUser makes an account for all units by the command line and returns the
// password that it printed.
func addUser(t *testing.T, database, name, role string) string {
	t.Helper()
	out := runCommand(t, database, "user", "add", "--generate", "--name", name, "--role", role, "--unit", "*")
	m := regexp.MustCompile(`(?m)^password (\S+)$`).FindStringSubmatch(out)
	if m == nil {
		t.Fatalf("no password in %q", out)
	}
	return m[1]
}

// browser is a client with cookies that trusts any certificate.
func browser(t *testing.T) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}
	t.Cleanup(transport.CloseIdleConnections)
	return &http.Client{Jar: jar, Transport: transport}
}

// signIn signs in and returns a client that is.
func signIn(t *testing.T, site, name, password string) *http.Client {
	t.Helper()
	client := browser(t)
	r, err := client.PostForm(site+"/sign-in", url.Values{"name": {name}, "password": {password}})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Body.Close() }()
	if r.Request.URL.Path == "/sign-in" {
		t.Fatalf("sign-in as %s = %d", name, r.StatusCode)
	}
	return client
}

// signInPrinted signs in with each account that the demo prints, and returns the
// falls nurse's first page.
func signInPrinted(t *testing.T, site string, said func() string) (code int, page string) {
	t.Helper()
	line := regexp.MustCompile(`(?m)^sign-in (\S+) (\S+) (\S+)$`)
	within(t, "the demo prints its accounts", func() bool {
		return len(line.FindAllString(said(), -1)) == len(records.Roles)
	})
	_, shown := get(t, site+"/sign-in")
	for n, m := range line.FindAllStringSubmatch(said(), -1) {
		if m[1] != string(records.Roles[n]) {
			t.Errorf("account %d is for the role %s, want %s", n, m[1], records.Roles[n])
		}
		if !strings.Contains(shown, m[3]) {
			t.Errorf("the sign-in page does not show the password of %s", m[2])
		}
		c, p := getBy(t, signIn(t, site, m[2], m[3]), site+"/")
		if c != http.StatusOK {
			t.Errorf("the first page of %s = %d", m[1], c)
		}
		if m[1] == string(records.FallsNurse) {
			code, page = c, p
		}
	}
	r, err := http.NewRequest(http.MethodGet, site+"/sign-in", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("X-Forwarded-For", "192.0.2.7")
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = answer.Body.Close() }()
	if body, _ := io.ReadAll(answer.Body); strings.Contains(string(body), "Accounts of this demo") {
		t.Error("the demo shows its passwords to whoever comes through a proxy")
	}
	return code, page
}

func TestServeWithoutAccountsSaysHowToMakeOne(t *testing.T) {
	site, said, stop := startAndSay(t, []string{"serve", "--listen", "127.0.0.1:0"}, map[string]string{"PLUMBLINE_DATABASE": filepath.Join(t.TempDir(), "test.db")})
	if !strings.Contains(said(), "dashboard user add --name") {
		t.Errorf("the log does not say how to make an account: %s", said())
	}
	if code, page := get(t, site+"/"); code != 200 || !strings.Contains(page, "dashboard user add --name") {
		t.Errorf("the sign-in page (%d) does not say how to make an account", code)
	}
	if code := stop(); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// writeCertificate writes a certificate for this machine with a name of its own.
func writeCertificate(t *testing.T, dir, name string) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err1 := x509.CreateCertificate(rand.Reader, form, form, &private.PublicKey, private)
	secret, err2 := x509.MarshalPKCS8PrivateKey(private)
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	err = errors.Join(err1, err2,
		os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600),
		os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600))
	if err != nil {
		t.Fatal(err)
	}
	return cert, key
}

func TestServeWithTLSBeyondLoopback(t *testing.T) {
	drill.Long(t)
	dir := t.TempDir()
	database := filepath.Join(dir, "test.db")
	cert, key := writeCertificate(t, dir, "first")
	password := addUser(t, database, "nurse", "falls-nurse")
	site, said, stop := startAndSay(t, []string{"serve", "--listen", "0.0.0.0:0", "--tls-cert", cert, "--tls-key", key, "--log-level", "debug"}, map[string]string{"PLUMBLINE_DATABASE": database})
	site = strings.NewReplacer("0.0.0.0", "127.0.0.1", "[::]", "127.0.0.1").Replace(site)
	if !strings.HasPrefix(site, "https://") {
		t.Fatalf("it says to open %s", site)
	}
	client := signIn(t, site, "nurse", password)
	r, err := client.Get(site + "/rules")
	if err != nil {
		t.Fatal(err)
	}
	_ = r.Body.Close()
	if r.StatusCode != 200 || !strings.HasPrefix(r.Header.Get("Strict-Transport-Security"), "max-age=31536000") {
		t.Errorf("over https = %d, Strict-Transport-Security %q", r.StatusCode, r.Header.Get("Strict-Transport-Security"))
	}
	where, _ := url.Parse(site)
	for _, c := range client.Jar.Cookies(where) {
		if !strings.HasPrefix(c.Name, "__Host-") {
			t.Errorf("the cookie %s is not bound to the host", c.Name)
		}
	}
	// What anybody can provoke before there is a request stands in the log at debug alone.
	if status, _ := get(t, "http://"+where.Host); status != 400 {
		t.Errorf("plain words to TLS = %d", status)
	}
	within(t, "plain words to TLS are logged", func() bool { return strings.Contains(said(), `level=DEBUG msg="http: TLS handshake error`) })
	if name := servedName(t, where.Host); name != "first" {
		t.Errorf("the certificate is %q", name)
	}
	writeCertificate(t, dir, "second")
	within(t, "the changed certificate is served", func() bool { return servedName(t, where.Host) == "second" })
	if err := os.WriteFile(key, []byte("not a key"), 0o600); err != nil {
		t.Fatal(err)
	}
	time.Sleep(lookEvery + 100*time.Millisecond)
	if name := servedName(t, where.Host); name != "second" {
		t.Errorf("after a broken file the certificate is %q", name)
	}
	if code := stop(); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

func servedName(t *testing.T, host string) string {
	t.Helper()
	c, err := tls.Dial("tcp", host, &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	return c.ConnectionState().PeerCertificates[0].Subject.CommonName
}

func TestCertificateFilesAreLookedAtOnceASecond(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	cert, key := writeCertificate(t, dir, "first")
	c := &certificate{cert: cert, key: key, clock: func() time.Time { return now }, log: slog.New(slog.DiscardHandler)}
	served := func() string {
		got, err := c.get(nil)
		if err != nil {
			t.Fatal(err)
		}
		return got.Leaf.Subject.CommonName
	}
	if got := served(); got != "first" {
		t.Errorf("served %q", got)
	}
	writeCertificate(t, dir, "second")
	if got := served(); got != "first" {
		t.Errorf("within the second served %q", got)
	}
	now = now.Add(lookEvery)
	if got := served(); got != "second" {
		t.Errorf("a second later served %q", got)
	}
}

func TestReadProxies(t *testing.T) {
	for list, want := range map[string]string{
		"": "[]", "10.1.2.3": "[10.1.2.3/32]", "10.1.2.3/8, ::1": "[10.0.0.0/8 ::1/128]", "::ffff:10.1.2.3": "[10.1.2.3/32]",
	} {
		got, err := readProxies(list)
		if err != nil || fmt.Sprint(got) != want {
			t.Errorf("readProxies(%q) = %v %v, want %s", list, got, err, want)
		}
	}
	for _, list := range []string{"0.0.0.0/0", "::/0", "proxy.example", "10.1.2.3/33"} {
		if got, err := readProxies(list); err == nil {
			t.Errorf("readProxies(%q) = %v, want an error", list, got)
		}
	}
}
