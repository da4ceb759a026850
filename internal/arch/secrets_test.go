package arch

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// secretForms are forms that key material has; the sources of the prefixes are the
// makers' own pages, from memory. They are written so that this file holds none.
var secretForms = []*regexp.Regexp{
	regexp.MustCompile(`-----BEGIN ([A-Z]+ )*PRIVATE KEY( BLOCK)?-----\s+[A-Za-z0-9+/=]{20}`),
	regexp.MustCompile(`\b(AKIA|ASIA)[0-9A-Z]{16}\b`),                                // cloud access keys
	regexp.MustCompile(`\bgh[pousr]_[A-Za-z0-9]{36,}`),                               // of a code host
	regexp.MustCompile(`\bglpat-[A-Za-z0-9_-]{20,}`),                                 // of a code host
	regexp.MustCompile(`\bxox[abprs]-[A-Za-z0-9-]{20,}`),                             // of a chat service
	regexp.MustCompile(`\bsk-[A-Za-z0-9_-]{32,}`),                                    // of model services
	regexp.MustCompile(`\bAIza[0-9A-Za-z_-]{35}\b`),                                  // cloud API keys
	regexp.MustCompile(`\beyJ[A-Za-z0-9_-]{20,}\.eyJ[A-Za-z0-9_-]{20,}\.[\w-]{20,}`), // signed JWT
	regexp.MustCompile(`\bnpm_[A-Za-z0-9]{36}\b`),                                    // of a package registry
	regexp.MustCompile(`\bplb_[A-Z2-7]{58}\b`),                                       // of this program
	regexp.MustCompile(`\bwhsec_[A-Za-z0-9+/]{32,}={0,2}`),                           // of webhooks
	regexp.MustCompile(`postgres(ql)?://[^\s:/@"'<>{}$%]+:[^\s/@"'<>{}$%]{6,}@[^\s"'/]*\.[a-z]{2,}`),
}

// publishedExamples are examples of open standards, known to everybody.
var publishedExamples = []string{
	"whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", // Standard Webhooks 1.0.0, test vector
}

func secretsIn(text []byte) (found []string) {
	for _, form := range secretForms {
		for _, m := range form.FindAll(text, -1) {
			known := false
			for _, e := range publishedExamples {
				known = known || string(m) == e
			}
			if !known {
				found = append(found, form.String())
			}
		}
	}
	return found
}

// No file that is, or could be, committed holds key material.
func TestNoSecretsInFiles(t *testing.T) {
	root := filepath.Join("..", "..")
	out, err := exec.Command("git", "-C", root, "ls-files", "-coz", "--exclude-standard").Output()
	if err != nil {
		t.Skip("the files cannot be listed: git is missing, or this is no clone")
	}
	names := strings.Split(strings.TrimRight(string(out), "\x00"), "\x00")
	if len(names) < 100 {
		t.Fatalf("only %d files are listed", len(names))
	}
	for _, name := range names {
		text, err := os.ReadFile(filepath.Join(root, name))
		if err != nil || bytes.IndexByte(text, 0) >= 0 {
			continue // removed and not yet committed, a folder, or no text
		}
		for _, form := range secretsIn(text) { // the finding itself is not printed
			t.Errorf("%s holds what looks like a secret of the form %s; remove it, and replace it where it is in use", name, form)
		}
		if base := filepath.Base(name); strings.HasSuffix(base, ".pem") || strings.HasSuffix(base, ".key") || strings.HasSuffix(base, ".p12") || base == ".env" {
			t.Errorf("%s is a kind of file that holds secrets; keep it out of the repository", name)
		}
	}
}

func TestSecretsAreFound(t *testing.T) {
	join := func(parts ...string) []byte { return []byte("x = \"" + strings.Join(parts, "") + "\"\n") }
	for name, text := range map[string][]byte{
		"private key":     join("-----BEGIN RSA PRIVATE ", "KEY-----\n", strings.Repeat("A", 64)),
		"access key":      join("AK", "IA", strings.Repeat("Q7", 8)),
		"code host":       join("gh", "p_", strings.Repeat("a1", 18)),
		"chat":            join("xo", "xb-", strings.Repeat("1a", 15)),
		"model service":   join("sk", "-", strings.Repeat("a1", 20)),
		"JWT":             join("ey", "J", strings.Repeat("a", 24), ".ey", "J", strings.Repeat("b", 24), ".", strings.Repeat("c", 24)),
		"registry":        join("np", "m_", strings.Repeat("a1", 18)),
		"API token":       join("pl", "b_", strings.Repeat("A2", 29)),
		"webhook":         join("wh", "sec_", strings.Repeat("a1B2", 8)),
		"database":        join("postgres", "://app:", "hunter2secret", "@db.example.org/x"),
		"second of a few": append(join("nothing"), join("gl", "pat-", strings.Repeat("a1", 12))...),
	} {
		if len(secretsIn(text)) == 0 {
			t.Errorf("%s is not found", name)
		}
	}
	for _, text := range []string{"postgres://user@db/plumbline", "-----BEGIN CERTIFICATE-----", "the AKIA prefix", publishedExamples[0]} {
		if found := secretsIn([]byte(text)); len(found) > 0 {
			t.Errorf("%q is taken for %v", text, found)
		}
	}
}
