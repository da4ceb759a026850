package app

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The exit code is 0 for a policy that can be used, odd or not, 1 for one that
// cannot, and 2 for wrong usage. Nothing that is wrong stands on standard output.
func TestPolicyCheckEndsWithItsCode(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good, odd := write("good", "recheck: {fall_hours: 8}\n"), write("odd", "recheck: {weekly_days: 8}\n")
	bad, pair := write("bad", "recheck: {fall_hours: 999}\n"), write("pair", "dose_review: {peak_from_hours: 4}\n")
	for _, test := range []struct {
		args []string
		want int
	}{
		{[]string{good}, 0},
		{[]string{odd}, 0},
		{[]string{write("empty", "")}, 0},
		{[]string{bad}, 1},
		{[]string{pair}, 1},
		{[]string{write("text", "hello")}, 1},
		{[]string{write("tab", "sets:\n\twindow_minutes: 4\n")}, 1},
		{[]string{filepath.Join(dir, "missing")}, 1},
		{[]string{dir}, 1},
		{nil, 2},
		{[]string{good, odd}, 2},
		{[]string{"--frobnicate", good}, 2},
	} {
		for _, inForce := range []string{"", bad} {
			if inForce != "" && len(test.args) != 1 {
				continue // settings are read, and refused with the same code
			}
			env := func(name string) string {
				if name == "PLUMBLINE_POLICY" {
					return inForce
				}
				return ""
			}
			var out, errs bytes.Buffer
			got := Run(context.Background(), append([]string{"policy", "check"}, test.args...), env, strings.NewReader(""), &out, &errs)
			if got != test.want || (got == 0) != (errs.Len() == 0) || (got == 0) != (out.Len() > 0) {
				t.Errorf("policy check %q with the policy %q in force: code %d\n%s%s", test.args, inForce, got, out.String(), errs.String())
			}
		}
	}
}
