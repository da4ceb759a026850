package app

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/records"
)

func loadPolicy(t *testing.T, yaml string) policy.Loaded {
	t.Helper()
	l, err := policy.Load([]byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// run gives a command to the program and returns what it prints.
func run(t *testing.T, database string, env map[string]string, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	ask := func(name string) string {
		if name == "PLUMBLINE_DATABASE" {
			return database
		}
		return env[name]
	}
	if code := Run(context.Background(), args, ask, nil, &out, &errs); code != 0 {
		t.Fatalf("%s: code %d, %s", args, code, errs.String())
	}
	return out.String()
}

// A version saved by one program is in force in another, in every command, and
// gives way to a file.
func TestThePolicyOfTheAppIsInForceEverywhere(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		database = s.settings.database // where it is
		running := reopenSite(t, s, now)
		saved := loadPolicy(t, "recheck: {positive_hours: 60, positive_stable_hours: 72, due_within_hours: 1}")
		preview, err := s.policies.Preview(t.Context(), saved)
		if err != nil {
			t.Fatal(err)
		}
		moved := 0
		for _, u := range preview.Units {
			moved += u.Moved
		}
		before, err := s.service.List(t.Context(), demo.MainUnit, now)
		if err != nil || moved == 0 {
			t.Fatalf("%v; the preview moves %d", err, moved)
		}
		if _, err := s.policies.Save(t.Context(), saved, policybook.Change{Seen: saved.Hash, Who: "ann", Note: "agreed"}); err != nil {
			t.Fatal(err)
		}
		after, err := s.service.List(t.Context(), demo.MainUnit, now)
		if err != nil || document(t, s, before, now) == document(t, s, after, now) {
			t.Errorf("the saved policy changes nothing: %v", err)
		}
		if running.service.Policy.Current().Hash == saved.Hash {
			t.Error("the other program did not need to look")
		}
		if err := running.policies.Refresh(t.Context()); err != nil || running.service.Policy.Current().Hash != saved.Hash {
			t.Errorf("the other program has another policy: %v", err)
		}
		live, err := running.service.Live(t.Context(), demo.MainUnit, now)
		if err != nil || document(t, running, live, now) != document(t, s, after, now) {
			t.Errorf("the live list is not that of the policy in force: %v", err)
		}

		if out := run(t, database, nil, "policy", "print"); !strings.Contains(out, "positive_hours: 60") {
			t.Error("policy print does not print the policy in force")
		}
		at := []string{"assess", "--unit", demo.MainUnit, "--as-of", now.Format("2006-01-02T15:04:05Z07:00"), "--format", "json"}
		if out := run(t, database, nil, at...); !strings.Contains(out, saved.Hash) {
			t.Error("assess is by another policy")
		}
		file := filepath.Join(t.TempDir(), "site.yaml")
		if err := os.WriteFile(file, []byte("recheck: {fall_hours: 6}"), 0o600); err != nil {
			t.Fatal(err)
		}
		env := map[string]string{"PLUMBLINE_POLICY": file}
		six := loadPolicy(t, "recheck: {fall_hours: 6}")
		if out := run(t, database, env, at...); !strings.Contains(out, six.Hash) {
			t.Error("the file gives way to the policy of the app")
		}
		if out := run(t, database, env, "policy", "print"); !strings.Contains(out, "fall_hours: 6") || strings.Contains(out, "positive_hours: 60") {
			t.Error("policy print does not print the file")
		}
	})
}

// A program that does not know the policy saved last does not go on by another one.
func TestAPolicyThatCannotBeReadStopsTheStart(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		if _, err := s.store.AddPolicyVersion(t.Context(), records.PolicyVersion{SavedAt: now, YAML: "of_the_future: 1"}, 0); err != nil {
			t.Fatal(err)
		}
		_, err := newProcess(t, s.settings.database, now).open(t.Context(), s.settings)
		if err == nil || clinical.CodeOf(err) != clinical.Internal || !strings.Contains(err.Error(), "version 1 of the policy cannot be used by this program") {
			t.Errorf("open: %v", err)
		}
	})
}

func TestPolicyPrintMakesNoDatabase(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data", "none.db")
	if out := run(t, path, nil, "policy", "print"); !strings.Contains(out, "fall_hours: 4") {
		t.Error("the built-in policy is not printed")
	}
	if _, err := os.Stat(filepath.Dir(path)); !os.IsNotExist(err) {
		t.Errorf("a database was made: %v", err)
	}
}
