package text

import (
	"slices"
	"testing"

	"plumbline/internal/policy"
)

// Every key of the policy and every reason to warn of a value has its words, no two keys the
// same, and there are no words for what is not there.
func TestPolicyAndCatalogueAgree(t *testing.T) {
	paths, said := map[string]bool{}, map[string]bool{}
	for _, k := range policy.Keys() {
		paths[k.Path] = true
		if says := PolicyKeys[k.Path]; says == "" || said[says] {
			t.Errorf("the policy key %s is said as %q in en/words/policy-keys.json", k.Path, says)
		}
		said[PolicyKeys[k.Path]] = true
	}
	for path := range PolicyKeys {
		if !paths[path] {
			t.Errorf("en/words/policy-keys.json speaks of %s, which is no key", path)
		}
	}
	for _, odd := range policy.Oddities() {
		if spoken.words["policy-odd"][odd] == "" {
			t.Errorf("the warning %s has no words in en/words/policy-odd.json", odd)
		}
	}
	for odd := range spoken.words["policy-odd"] {
		if !slices.Contains(policy.Oddities(), odd) {
			t.Errorf("en/words/policy-odd.json speaks of %s, of which nothing warns", odd)
		}
	}
	for _, repair := range policy.Repairs() {
		if spoken.words["policy-repairs"][repair] == "" {
			t.Errorf("the repair %s has no words in en/words/policy-repairs.json", repair)
		}
	}
	if got := len(spoken.words["policy-repairs"]); got != len(policy.Repairs()) {
		t.Errorf("en/words/policy-repairs.json has %d words, the policy %d repairs", got, len(policy.Repairs()))
	}
}
