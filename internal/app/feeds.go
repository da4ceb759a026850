package app

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/text"
)

func load(ctx context.Context, p process, args []string) error {
	var format string
	dry := false
	s, paths, err := p.parse("load", args, func(fs *flag.FlagSet) {
		fs.StringVar(&format, "format", "table", "")
		fs.BoolVar(&dry, "dry-run", false, "")
	})
	if err == nil {
		err = checkFormat(format)
	}
	switch {
	case err != nil:
		return err
	case len(paths) == 0:
		return usagef("load needs at least one file or folder")
	}
	if dry {
		copied, drop, err := p.onCopy(ctx, s)
		if err != nil {
			return err
		}
		defer drop()
		s = copied
	}
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	if err := site.keepPolicy(ctx, p.clock()); err != nil {
		return err
	}
	summary, err := site.loader.Load(ctx, paths, "command")
	if err != nil {
		return err
	}
	if summary.Files == 0 {
		p.warn("commands.no-file")
	}
	for _, n := range summary.Notices {
		_, _ = fmt.Fprintf(p.stderr, "dashboard: %s: %s\n", n.File, n.Reason)
	}
	if err := writeSummary(ctx, p, format, site.loader, summary); err != nil {
		return err
	}
	switch {
	case summary.Unreadable == summary.Files:
		return exitError(2) // nothing could be read
	case summary.Unreadable > 0 || summary.Held > 0:
		return exitError(1)
	}
	return nil
}

// onCopy are the settings with a copy of the database in place of it, which drop removes: what
// is done with them changes nothing. Of PostgreSQL the copy is a schema beside it.
func (p process) onCopy(ctx context.Context, s settings) (copied settings, drop func(), err error) {
	if strings.Contains(s.database, "://") {
		name := "plumbline_dry_run_" + strconv.FormatInt(p.clock().UnixMicro(), 36)
		target, gone, err := store.SchemaCopy(ctx, s.database, name)
		if err != nil {
			return s, nil, err
		}
		s.database = target
		return s, func() {
			if err := gone(context.WithoutCancel(ctx)); err != nil {
				p.warn("commands.copy-left", name, err)
			}
		}, nil
	}
	dir, err := os.MkdirTemp("", "plumbline-dry-run-")
	if err != nil {
		return s, nil, err
	}
	drop = func() { _ = os.RemoveAll(dir) }
	copied = s
	copied.database = filepath.Join(dir, "copy.db")
	if err := store.CopyOf(ctx, s.database, copied.database); err != nil {
		drop()
		return s, nil, fmt.Errorf("copying the database for the dry run: %w", err)
	}
	return copied, drop, nil
}

// writeSummary tells what became of a load: figures to stdout, and in a table
// run what must be looked at to stderr. Every problem is named, in memory that does not grow with them.
func writeSummary(ctx context.Context, p process, format string, loader *ingest.Loader, s ingest.Summary) error {
	if format == "json" {
		return writeSummaryJSON(ctx, p.stdout, loader, s)
	}
	err := loader.EachProblem(ctx, s, func(problem ingest.Problem, _ bool) error {
		_, err := fmt.Fprintln(p.stderr, "dashboard:", problem)
		return err
	})
	if err != nil {
		return err
	}
	return p.say("commands.loaded",
		s.Files, s.Unreadable, s.Rows, s.Accepted, s.Unchanged, s.Superseded, s.Waiting, s.Skipped, s.Held)
}

// writeSummaryJSON writes the summary as a document, its problems one by one.
func writeSummaryJSON(ctx context.Context, w io.Writer, loader *ingest.Loader, s ingest.Summary) error {
	s.Problems = []ingest.Problem{}
	return writeJSONList(w, s, func(add func(any) error) error {
		return loader.EachProblem(ctx, s, func(problem ingest.Problem, _ bool) error { return add(problem) })
	})
}

// writeJSONList writes a document whose last member is an empty list, with what each adds in it.
func writeJSONList(w io.Writer, document any, each func(add func(any) error) error) error {
	frame, err := json.MarshalIndent(document, "", " ")
	if err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	_, _ = out.Write(bytes.TrimSuffix(frame, []byte("]\n}"))) // errors come again with Flush
	between := "\n"
	err = each(func(v any) error {
		_, _ = out.WriteString(between)
		between = ","
		return writeJSON(out, v)
	})
	_, _ = out.WriteString("]\n}\n")
	return errors.Join(err, out.Flush())
}

func quarantine(ctx context.Context, p process, args []string) error {
	var format string
	var asked searchFlags
	s, rest, err := p.parse("quarantine", args, func(fs *flag.FlagSet) {
		fs.StringVar(&format, "format", "table", "")
		asked.add(fs)
	})
	if err == nil {
		err = checkFormat(format)
	}
	var q records.HeldQuery
	if err == nil {
		q, err = asked.query(s.zone)
	}
	switch {
	case err != nil:
		return err
	case len(rest) != 1 || rest[0] != "list" && rest[0] != "retry":
		return usagef("quarantine takes list or retry")
	}
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	if rest[0] == "retry" {
		summary, err := site.loader.Retry(ctx)
		if err == nil {
			_, err = site.loader.RetryUnmapped(ctx)
		}
		if err != nil {
			return err
		}
		return writeSummary(ctx, p, format, site.loader, summary)
	}
	return listHeld(ctx, p.stdout, site, format, q)
}

// searchFlags say which held rows are asked for.
type searchFlags struct{ text, reason, source, kind, from, to string }

func (f *searchFlags) add(fs *flag.FlagSet) {
	for name, to := range map[string]*string{
		"text": &f.text, "reason": &f.reason, "source": &f.source, "kind": &f.kind, "from": &f.from, "to": &f.to,
	} {
		fs.StringVar(to, name, "", "")
	}
}

func (f *searchFlags) query(zone *time.Location) (records.HeldQuery, error) {
	q := records.HeldQuery{Bare: true, Text: f.text, Reason: f.reason, Source: f.source, Kind: clinical.Kind(f.kind)}
	if q.Kind != "" && !slices.Contains(clinical.Kinds, q.Kind) {
		return q, usagef("--kind %q is no kind of fact; there are %v", f.kind, clinical.Kinds)
	}
	for _, t := range []struct {
		name, said string
		to         *time.Time
	}{{"from", f.from, &q.From}, {"to", f.to, &q.To}} {
		if t.said == "" {
			continue
		}
		at, ok := parseTime(t.said, zone)
		if !ok {
			day, err := time.ParseInLocation(time.DateOnly, t.said, zone)
			if err != nil {
				return q, usagef("--%s %q is neither a day such as 2026-11-25 nor a time such as 2026-11-25T07:00:00Z", t.name, t.said)
			}
			at = day
		}
		*t.to = at
	}
	return q, nil
}

// heldRow is a held row, as `quarantine list` shows it.
type heldRow struct {
	File     string `json:"file"`
	Line     int    `json:"line"`
	Kind     string `json:"kind"`
	SourceID string `json:"source_id"`
	Reason   string `json:"reason"`
}

// rowsAligned is how many rows of a long table are aligned with each other.
const rowsAligned = 1000

func listHeld(ctx context.Context, w io.Writer, s *site, format string, q records.HeldQuery) error {
	each := func(add func(heldRow) error) error {
		return s.store.EachHeld(ctx, q, func(h records.Held) error {
			return add(heldRow{h.File, h.Line, string(h.Kind), h.SourceID, ingest.ReasonOf(h)})
		})
	}
	if format == "json" {
		return writeJSONList(w, map[string]any{"quarantined": []heldRow{}}, func(add func(any) error) error {
			return each(func(h heldRow) error { return add(h) })
		})
	}
	var rows []string
	flush := func() error {
		part := rows
		rows = nil
		return table(w, text.Say("commands.held-head"), part)
	}
	any := false
	err := each(func(h heldRow) error {
		any = true
		rows = append(rows, row(h.File, strconv.Itoa(h.Line), h.Kind, h.SourceID, h.Reason))
		if len(rows) == rowsAligned {
			return flush()
		}
		return nil
	})
	switch {
	case err != nil:
		return err
	case !any:
		said := text.Say("commands.none-held")
		if q != (records.HeldQuery{Bare: true}) {
			said = text.Say("commands.none-held-so")
		}
		_, err = fmt.Fprintln(w, said)
	case len(rows) > 0:
		err = flush()
	}
	return err
}
