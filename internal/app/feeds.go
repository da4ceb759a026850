package app

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"plumbline/internal/ingest"
	"plumbline/internal/store"
)

// parseWithFormat reads the flags of a command that answers in a format.
func (p process) parseWithFormat(name string, args []string) (s settings, rest []string, format string, err error) {
	s, rest, err = p.parse(name, args, func(fs *flag.FlagSet) { fs.StringVar(&format, "format", "table", "") })
	if err == nil {
		err = checkFormat(format)
	}
	return s, rest, format, err
}

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
		_, _ = fmt.Fprintln(p.stderr, "dashboard: there is no file to read; check the path, and that files are not hidden")
	}
	for _, n := range summary.Notices {
		_, _ = fmt.Fprintf(p.stderr, "dashboard: %s: %s\n", n.File, n.Reason)
	}
	if err := writeSummary(p, format, summary); err != nil {
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
// is done with them changes nothing. Of PostgreSQL there is no copy, but an empty database.
func (p process) onCopy(ctx context.Context, s settings) (copied settings, drop func(), err error) {
	dir, err := os.MkdirTemp("", "plumbline-dry-run-")
	if err != nil {
		return s, nil, err
	}
	drop = func() { _ = os.RemoveAll(dir) }
	copied = s
	copied.database = filepath.Join(dir, "copy.db")
	if strings.Contains(s.database, "://") {
		_, _ = fmt.Fprintln(p.stderr, "dashboard: a dry run does not know what PostgreSQL holds: what is held already counts as new")
	} else if err := store.CopyOf(ctx, s.database, copied.database); err != nil {
		drop()
		return s, nil, fmt.Errorf("copying the database for the dry run: %w", err)
	}
	return copied, drop, nil
}

// writeSummary tells what became of a load: figures to stdout, and in a table
// run what must be looked at to stderr.
func writeSummary(p process, format string, s ingest.Summary) error {
	if format == "json" {
		return writeJSON(p.stdout, s)
	}
	for _, problem := range s.Problems {
		_, _ = fmt.Fprintln(p.stderr, "dashboard:", problem)
	}
	_, err := fmt.Fprintf(p.stdout,
		"%d files, %d unreadable; %d rows: %d accepted, %d unchanged, %d superseded, %d waiting, %d skipped, %d quarantined\n",
		s.Files, s.Unreadable, s.Rows, s.Accepted, s.Unchanged, s.Superseded, s.Waiting, s.Skipped, s.Held)
	return err
}

func quarantine(ctx context.Context, p process, args []string) error {
	s, rest, format, err := p.parseWithFormat("quarantine", args)
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
		if err != nil {
			return err
		}
		return writeSummary(p, format, summary)
	}
	return listHeld(ctx, p.stdout, site, format)
}

// heldRow is a held row, as `quarantine list` shows it.
type heldRow struct {
	File     string `json:"file"`
	Line     int    `json:"line"`
	Kind     string `json:"kind"`
	SourceID string `json:"source_id"`
	Reason   string `json:"reason"`
}

func listHeld(ctx context.Context, w io.Writer, s *site, format string) error {
	held, err := s.store.AllHeld(ctx)
	if err != nil {
		return err
	}
	out := []heldRow{}
	for _, h := range held {
		out = append(out, heldRow{h.File, h.Line, string(h.Kind), h.SourceID, ingest.ReasonOf(h)})
	}
	if format == "json" {
		return writeJSON(w, map[string]any{"quarantined": out})
	}
	var rows []string
	for _, h := range out {
		rows = append(rows, row(h.File, strconv.Itoa(h.Line), h.Kind, h.SourceID, h.Reason))
	}
	if len(rows) == 0 {
		_, err := fmt.Fprintln(w, "No row is held back.")
		return err
	}
	return table(w, "file | line | kind | source_id | reason", rows)
}
