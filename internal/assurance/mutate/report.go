package main

import (
	"fmt"
	"io"
	"os"
	"strings"
)

// state is what has become of a mutant.
type state int

const (
	survived  state = iota // every test that reaches it passed, or none does
	killed                 // a test failed or never ended
	explained              // survived, and explained.txt says why
)

// tally counts the mutants of one package.
type tally struct {
	pkg                                  string
	all, byOwn, byOthers, explained, bad int
	timeouts                             int // of those killed
}

// report prints what is left open and the table.
func report(chosen []*mutant, stale []string, o options, out io.Writer) error {
	var b strings.Builder
	bad := survivors(chosen)
	for _, s := range stale {
		fmt.Fprintf(&b, "%s, %s\n", o.explained, s)
	}
	table := markdown(tallies(chosen))
	b.WriteString(table)
	if _, err := io.WriteString(out, b.String()); err != nil {
		return err
	}
	if err := writeFiles(bad, table, o); err != nil {
		return err
	}
	if len(bad)+len(stale) > 0 {
		return fmt.Errorf("%d mutants no test notices, %d explanations that match nothing; write tests, or mend %s",
			len(bad), len(stale), o.explained)
	}
	return nil
}

// block is a mutant as explained.txt takes it, but for the why.
func (m *mutant) block(why string) string {
	return fmt.Sprintf("# %s:%d, %s: %s\nin: %s %s\nmutant: %s\nwhy: %s\n\n",
		m.file.name, m.lineNo, m.operator, m.line, m.pkg.path, m.function, m.change(), why)
}

// fate says how a mutant came through.
func (m *mutant) fate() string {
	if !m.reached {
		return "no test comes by"
	}
	return "it survived"
}

func survivors(chosen []*mutant) []*mutant {
	var bad []*mutant
	for _, m := range chosen {
		if m.state == survived {
			bad = append(bad, m)
		}
	}
	return bad
}

func tallies(chosen []*mutant) []tally {
	var all []tally
	at := map[string]int{}
	for _, m := range chosen {
		n, ok := at[m.pkg.path]
		if !ok {
			n = len(all)
			at[m.pkg.path] = n
			all = append(all, tally{pkg: m.pkg.path})
		}
		all[n].add(m)
	}
	return all
}

func (t *tally) add(m *mutant) {
	t.all++
	switch m.state {
	case killed:
		if m.killedBy == m.pkg.path {
			t.byOwn++
		} else {
			t.byOthers++
		}
		if m.endless {
			t.timeouts++
		}
	case explained:
		t.explained++
	default:
		t.bad++
	}
}

// markdown is the table of the tallies. The score is killed mutants of all that
// are not explained, in percent, rounded down to a tenth.
func markdown(all []tally) string {
	var b strings.Builder
	b.WriteString("| package | mutants | killed by its own tests | by tests of other packages | explained | open | score |\n")
	b.WriteString("| --- | ---: | ---: | ---: | ---: | ---: | ---: |\n")
	sum := tally{pkg: "together"}
	for _, t := range all {
		b.WriteString(t.row("`" + strings.TrimPrefix(t.pkg, "plumbline/") + "`"))
		sum.all, sum.byOwn, sum.byOthers = sum.all+t.all, sum.byOwn+t.byOwn, sum.byOthers+t.byOthers
		sum.explained, sum.bad, sum.timeouts = sum.explained+t.explained, sum.bad+t.bad, sum.timeouts+t.timeouts
	}
	if len(all) > 1 {
		b.WriteString(sum.row(sum.pkg))
	}
	fmt.Fprintf(&b, "\n%d of the killed ran until their time was over.\n", sum.timeouts)
	return b.String()
}

func (t tally) row(name string) string {
	return fmt.Sprintf("| %s | %d | %d | %d | %d | %d | %s |\n", name, t.all, t.byOwn, t.byOthers, t.explained, t.bad, t.score())
}

func (t tally) score() string {
	of := t.all - t.explained
	if of == 0 {
		return ""
	}
	tenths := (t.byOwn + t.byOthers) * 1000 / of
	return fmt.Sprintf("%d.%d %%", tenths/10, tenths%10)
}

func writeFiles(bad []*mutant, table string, o options) error {
	if o.markdown != "" {
		if err := os.WriteFile(o.markdown, []byte(table), 0o600); err != nil {
			return err
		}
	}
	if o.survivors == "" {
		return nil
	}
	var b strings.Builder
	for _, m := range bad {
		b.WriteString(m.block(m.fate()))
	}
	return os.WriteFile(o.survivors, []byte(b.String()), 0o600)
}
