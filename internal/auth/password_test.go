package auth_test

import (
	"context"
	"encoding/base64"
	"encoding/hex"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/crypto/argon2"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
)

func TestHashes(t *testing.T) {
	h := &auth.Hasher{Cost: auth.Cost{MemoryKiB: 64, Passes: 2, Lanes: 1}}
	hash, err := h.Hash(t.Context(), "correct horse")
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`^\$argon2id\$v=19\$m=64,t=2,p=1\$([A-Za-z0-9+/]{22})\$([A-Za-z0-9+/]{43})$`).FindStringSubmatch(hash)
	if m == nil {
		t.Fatalf("the hash is %q, no PHC string", hash)
	}
	salt, _ := base64.RawStdEncoding.DecodeString(m[1])
	key := base64.RawStdEncoding.EncodeToString(argon2.IDKey([]byte("correct horse"), salt, 2, 64, 1, 32))
	if key != m[2] {
		t.Error("the key is not that of the password and salt")
	}
	if again, _ := h.Hash(t.Context(), "correct horse"); again == hash {
		t.Error("two hashes of one password are alike: the salt is not new")
	}
	for password, want := range map[string]bool{"correct horse": true, "correct horsf": false, "": false, "Correct horse": false} {
		if right, stale, err := h.Check(t.Context(), hash, password); right != want || stale || err != nil {
			t.Errorf("Check(%q) = %v %v %v", password, right, stale, err)
		}
	}
	dearer := &auth.Hasher{Cost: auth.Cost{MemoryKiB: 128, Passes: 2, Lanes: 1}}
	if right, stale, err := dearer.Check(t.Context(), hash, "correct horse"); !right || !stale || err != nil {
		t.Errorf("a hash of another cost: right %v, stale %v, %v", right, stale, err)
	}
	if right, stale, _ := dearer.Check(t.Context(), hash, "wrong"); right || stale {
		t.Error("a wrong password says that its hash is stale")
	}
}

// The test vector of RFC 9106 has a secret and associated data, which this library
// does not take; this one is of the reference implementation's test.c (from memory):
// argon2id, v 19, t=2, m=2^16, p=1, password "password", salt "somesalt".
func TestHashesOfOthersAreRead(t *testing.T) {
	key, _ := hex.DecodeString("09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7")
	hash := "$argon2id$v=19$m=65536,t=2,p=1$" + base64.RawStdEncoding.EncodeToString([]byte("somesalt")) + "$" + base64.RawStdEncoding.EncodeToString(key)
	right, stale, err := new(auth.Hasher).Check(t.Context(), hash, "password")
	if !right || !stale || err != nil {
		t.Errorf("the reference's hash: right %v, stale %v, %v", right, stale, err)
	}
}

func TestLettersTypedInTwoWays(t *testing.T) {
	h := cheap()
	hash, err := h.Hash(t.Context(), "zürich am morgen") // one code point
	if err != nil {
		t.Fatal(err)
	}
	if right, _, _ := h.Check(t.Context(), hash, "zu\u0308rich am morgen"); !right { // two
		t.Error("the same letter typed as two code points is another password")
	}
}

func TestBrokenHashesAreRefused(t *testing.T) {
	h := cheap()
	good, _ := h.Hash(t.Context(), "x")
	for name, hash := range map[string]string{
		"empty": "", "other function": strings.Replace(good, "argon2id", "argon2i", 1), "cut off": good[:len(good)-40],
		"huge memory": strings.Replace(good, "m=8", "m=4000000000", 1), "no pass": strings.Replace(good, "t=1", "t=0", 1),
		"no lane": strings.Replace(good, "p=1", "p=0", 1), "other version": strings.Replace(good, "v=19", "v=16", 1),
	} {
		if right, _, err := h.Check(t.Context(), hash, "x"); err == nil || right {
			t.Errorf("%s: right %v, %v", name, right, err)
		}
	}
}

func TestHashingStopsWithItsCaller(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	h := cheap()
	for range 64 { // where a slot is free either may win
		if _, err := h.Hash(ctx, "x"); err != nil {
			return
		}
	}
	t.Error("64 hashes were made for a caller who had left")
}

func TestNewPasswords(t *testing.T) {
	seen := map[string]bool{}
	for range 100 {
		p := auth.NewPassword()
		if seen[p] || !regexp.MustCompile(`^([a-z2-7]{5}-){3}[a-z2-7]{5}$`).MatchString(p) || (auth.Rules{}).Check(p, "somebody") != nil {
			t.Fatalf("password %q", p)
		}
		seen[p] = true
	}
}

func TestPasswordRules(t *testing.T) {
	list := filepath.Join(t.TempDir(), "list")
	text := "iloveyou iloveyou\r\n" + "BFD3617727EAB0E800E62A776C76381DEFBC4145:2187\n" + // correcthorsebatterystaple
		"last line of the list"
	if err := os.WriteFile(list, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r := auth.Rules{Hospital: "St. Elsewhere", Breached: list}
	for password, want := range map[string]string{
		"four words, no rule":            "",
		"123456789012":                   "", // length is the only rule of form
		"aaaaaaaaaaaa":                   "",
		"ééééééééééé":                    "has 11 characters", // characters, not bytes
		"éééééééééééé":                   "",
		strings.Repeat("é", 128):         "",
		strings.Repeat("é", 129):         "use at most 128",
		"":                               "has 0 characters",
		"not\xfftext at all":             "is not text",
		"Nurse.Keller":                   "made of the name",
		"nurse keller 2026":              "made of the name",
		"NurseKellerNurseKeller":         "made of the name",
		"nurse keller likes tea":         "",
		"ST ELSEWHERE 1":                 "made of",
		"Falls-Nurse!":                   "made of",
		"administrator":                  "made of",
		"plumbline2026":                  "made of",
		"iloveyou iloveyou":              "others know",
		"ILoveYou ILoveYou":              "others know",
		"correcthorsebatterystaple":      "others know",
		"last line of the list":          "others know",
		"BFD3617727EAB0E800E62A776C7638": "",
	} {
		err := r.Check(password, "nurse.keller")
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want) || clinical.CodeOf(err) != clinical.Invalid) {
			t.Errorf("Check(%q) = %v, want %q", password, err, want)
		}
		if err != nil && len(password) > 5 && strings.Contains(err.Error(), password) {
			t.Errorf("the sentence holds the password: %v", err)
		}
	}
	missing := auth.Rules{Breached: list + "?"}
	if err := missing.Check("four words, no rule", "x"); err == nil || clinical.CodeOf(err) == clinical.Invalid || missing.CheckList() == nil {
		t.Errorf("a list that cannot be read: %v", err)
	}
	if err := r.CheckList(); err != nil {
		t.Error(err)
	}
}
