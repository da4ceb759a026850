package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// options are what the command line says.
type options struct {
	data, why string
	take      bool
}

// loadedAt is the moment at which the feed counts as read: after all that it tells.
var loadedAt = time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)

func main() {
	var o options
	flag.StringVar(&o.data, "data", "internal/assurance/second/testdata", "folder with feed, answers.json.gz and reviewed.tsv")
	flag.BoolVar(&o.take, "take", false, "take over every figure that differs, as reviewed")
	flag.StringVar(&o.why, "why", "", "with --take: the change of the rules that the figures follow from")
	flag.Parse()
	if err := run(context.Background(), o, clinical.SystemClock(), os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "second:", err)
		os.Exit(1)
	}
}

// run says which answers changed and, where told to, takes them over. It fails while
// a figure differs that was not taken over, or an entry is left over.
func run(ctx context.Context, o options, now time.Time, out io.Writer) error {
	if o.take && strings.TrimSpace(o.why) == "" || strings.ContainsAny(o.why, "\t\n") {
		return errors.New("--take needs --why: one line that names the change of the rules")
	}
	v, taken, err := hold(ctx, o.data)
	if err != nil {
		return err
	}
	if _, err := io.WriteString(out, v.inWords()); err != nil {
		return err
	}
	if len(v.differ)+len(v.stale) == 0 {
		return nil
	}
	if !o.take {
		return errors.New("read each against the words of its rule, then mend the program, or take them over with --take --why")
	}
	taken = takeOver(v, taken, now.UTC().Format(time.DateOnly), o.why)
	return writeReviewed(filepath.Join(o.data, "reviewed.tsv"), taken)
}

// hold compares the frozen answers in a folder with this program's.
func hold(ctx context.Context, data string) (verdict, []reviewed, error) {
	answers, err := readAnswers(filepath.Join(data, "answers.json.gz"))
	if err != nil {
		return verdict{}, nil, err
	}
	feed, err := readFeed(filepath.Join(data, "feed"), time.UTC, loadedAt)
	if err != nil {
		return verdict{}, nil, err
	}
	taken, err := readReviewed(filepath.Join(data, "reviewed.tsv"))
	if err != nil {
		return verdict{}, nil, err
	}
	all, err := compare(ctx, feed, answers)
	return judge(all, taken), taken, err
}

// takeOver puts the figures that differ in place, and drops what is left over.
func takeOver(v verdict, taken []reviewed, day, why string) []reviewed {
	drop := map[string]bool{}
	for _, r := range v.stale {
		drop[r.key] = true
	}
	for _, f := range v.differ {
		drop[f.key()] = true
	}
	taken = slices.DeleteFunc(taken, func(r reviewed) bool { return drop[r.key] })
	for _, f := range v.differ {
		taken = append(taken, reviewed{day: day, why: why, asOf: f.asOf, key: f.key(), value: valueOf(f)})
	}
	slices.SortFunc(taken, func(a, b reviewed) int { return strings.Compare(a.key, b.key) })
	return taken
}

// inWords tells a verdict: the counts, then each field that differs with one example.
func (v verdict) inWords() string {
	var b strings.Builder
	all := v.independent + v.reviewed + len(v.differ)
	fmt.Fprintf(&b, "%d figures: %d agree with the second implementation, %d are from this program, reviewed, %d differ\n",
		all, v.independent, v.reviewed, len(v.differ))
	byField := map[string][]figure{}
	for _, f := range v.differ {
		byField[field(f.name)] = append(byField[field(f.name)], f)
	}
	names := slices.SortedFunc(maps.Keys(byField), func(a, b string) int {
		return cmp.Or(cmp.Compare(len(byField[b]), len(byField[a])), strings.Compare(a, b))
	})
	for _, name := range names {
		list := byField[name]
		first := list[0]
		fmt.Fprintf(&b, "%5d  %s\n       such as %s at %s: the second %s, this program %s\n",
			len(list), name, first.name, first.asOf, said(first.second, first.inSecond), said(first.own, first.has))
	}
	for _, r := range v.stale {
		fmt.Fprintf(&b, "left over: %s (%s, %s)\n", r.key, r.day, r.why)
	}
	return b.String()
}

func said(v any, has bool) string {
	if !has {
		return "says nothing"
	}
	return fmt.Sprintf("%v", v)
}
