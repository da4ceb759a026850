// Command reference writes the table of every policy key into docs/policy.md, below
// its mark. Run it from the root of the module: make docs.
package main

import (
	"fmt"
	"os"
	"strings"

	"plumbline/internal/policy"
)

const page = "docs/policy.md"

func main() {
	if err := write(); err != nil {
		fmt.Fprintln(os.Stderr, "reference:", err)
		os.Exit(1)
	}
}

func write() error {
	text, err := os.ReadFile(page)
	if err != nil {
		return err
	}
	head, _, found := strings.Cut(string(text), policy.ReferenceMark)
	if !found {
		return fmt.Errorf("%s lacks the line %q, below which the table belongs", page, strings.TrimSpace(policy.ReferenceMark))
	}
	return os.WriteFile(page, []byte(head+policy.ReferenceMark+policy.Reference()), 0o600)
}
