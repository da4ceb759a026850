package ingest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
)

// Mark tells which state of a file was read.
type Mark struct {
	Name    string // the file's full path: two folders may hold files of one name
	Size    int64  // bytes
	ModTime time.Time
}

// Batch takes the rows of one file.
type Batch interface {
	Put(clinical.Version) error
	Hold(feed.Held) error
}

// Counts tell what became of the rows of a load.
type Counts struct {
	Rows, Accepted, Unchanged, Superseded, Waiting, Quarantined int
	WaitingRows                                                 []RowRef
}

// RowRef says where a row stands.
type RowRef struct {
	File     string
	Line     int
	Kind     clinical.Kind
	SourceID string
	StayID   string
}

// Store is what the loader needs of a store.
type Store interface {
	BeginLoad(ctx context.Context, at time.Time, how string) (int64, error)
	// LoadFile runs read in one transaction: rows and bookmark are kept together,
	// or none of them where read fails.
	LoadFile(ctx context.Context, load int64, mark Mark, read func(Batch) error) error
	FinishLoad(ctx context.Context, load int64, at time.Time) (Counts, error)
	// Newest streams, of the facts named, the versions that the load brought and
	// that count.
	Newest(ctx context.Context, load int64, kind clinical.Kind, sourceIDs []string, each func(clinical.Version) error) error
	// Marks are the states in which files were last read, by full path.
	Marks(ctx context.Context) (map[string]Mark, error)
	// HeldFacts tells which of the identities have a usable version in the store.
	HeldFacts(ctx context.Context, kind clinical.Kind, sourceIDs []string) (map[string]bool, error)
	// Held lists the rows held back, or the one that is named by its number; Release
	// stores one that reads now, Fix one that somebody has put right.
	Held(ctx context.Context, id int64) (map[int64]feed.Held, error)
	Release(ctx context.Context, load int64, id int64, v clinical.Version) error
	Fix(ctx context.Context, load int64, id int64, v clinical.Version, f feed.Fix) error
	// Fixes are the rows of a file (its full path) that were put right, oldest first.
	Fixes(ctx context.Context, path string) ([]feed.Fix, error)
}

// Problem names a row or a file with one reason.
type Problem struct {
	File     string `json:"file"`
	Line     int    `json:"line"`
	SourceID string `json:"source_id"`
	Reason   string `json:"reason"`
}

// Summary says what became of a load. Rows is the sum of the six ends.
type Summary struct {
	Files       int       `json:"files"`
	Unreadable  int       `json:"unreadable"`
	Rows        int       `json:"rows"`
	Accepted    int       `json:"accepted"`
	Unchanged   int       `json:"unchanged"`
	Superseded  int       `json:"superseded"`
	Waiting     int       `json:"waiting"`
	Skipped     int       `json:"skipped"`
	Quarantined int       `json:"quarantined"`
	Problems    []Problem `json:"problems"`

	Notices []Problem `json:"-"` // what stops nothing, such as unknown columns
}

// Loader reads feed files into a store.
type Loader struct {
	Store Store
	Clock clinical.Clock
	Zone  *time.Location
	// Plausible names values that are not believed; see V-PLAUSIBLE.
	Plausible func(clinical.Vitals) []string
}

// source is one file to be read.
type source struct {
	path string // full path
	name string // base name, by which versions of equal time are ordered
	err  error  // why the file cannot be opened
}

// Load reads files and folders once. Bad rows and unreadable files are named in
// the summary and stop nothing else; the error is for a store that fails.
func (l *Loader) Load(ctx context.Context, paths []string, how string) (Summary, error) {
	var sources []source
	for _, p := range paths {
		sources = append(sources, find(p)...)
	}
	s, _, err := l.load(ctx, sources, how)
	return s, err
}

// load reads the sources and also returns the paths of those that could not be
// read for what is in them.
func (l *Loader) load(ctx context.Context, sources []source, how string) (s Summary, refused []string, err error) {
	now := l.Clock()
	s = Summary{Problems: []Problem{}}
	load, err := l.Store.BeginLoad(ctx, now, how)
	if err != nil {
		return s, nil, err
	}
	var found finds
	for _, src := range sources {
		s.Files++
		f, err := l.readFile(ctx, load, src, now)
		s.Notices = append(s.Notices, f.notices...)
		var unreadable *unreadableError
		switch {
		case errors.As(err, &unreadable):
			s.Unreadable++
			if unreadable != errChanged {
				refused = append(refused, src.path)
			}
			s.Problems = append(s.Problems, Problem{File: src.name, Reason: unreadable.Error()})
		case ctx.Err() != nil:
			return s, nil, ctx.Err()
		case err != nil: // stops nothing else, and is tried again
			s.Unreadable++
			s.Problems = append(s.Problems, Problem{File: src.name, Reason: "the file could not be stored: " + err.Error()})
		default:
			found.held = append(found.held, f.held...)
			found.doubted = append(found.doubted, f.doubted...)
		}
	}
	err = l.finish(ctx, load, &s, found)
	return s, refused, err
}

// finds are what people must be told of the rows that were read.
type finds struct {
	held    []feed.Held
	doubted []string // source_ids of readings with a value that is not believed
	notices []Problem
}

// finish counts what became of the rows and names what people must know of.
func (l *Loader) finish(ctx context.Context, load int64, s *Summary, found finds) error {
	c, err := l.Store.FinishLoad(ctx, load, l.Clock())
	if err != nil {
		return err
	}
	s.Rows, s.Accepted, s.Unchanged, s.Superseded = c.Rows, c.Accepted, c.Unchanged, c.Superseded
	s.Waiting, s.Quarantined = c.Waiting, c.Quarantined
	if err := l.nameHeld(ctx, s, found.held); err != nil {
		return err
	}
	for _, w := range c.WaitingRows {
		s.Problems = append(s.Problems, Problem{w.File, w.Line, w.SourceID, fmt.Sprintf("waiting: stay %s has not been seen yet", w.StayID)})
	}
	err = l.Store.Newest(ctx, load, clinical.KindVitals, found.doubted, func(v clinical.Version) error {
		if doubts := l.doubts(v); len(doubts) > 0 {
			s.Problems = append(s.Problems, Problem{v.File, v.Line, v.SourceID, "implausible: " + strings.Join(doubts, "; ")})
		}
		return nil
	})
	slices.SortStableFunc(s.Problems, func(a, b Problem) int {
		if c := strings.Compare(a.File, b.File); c != 0 {
			return c
		}
		return a.Line - b.Line
	})
	return err
}

// doubts names the values of a reading that are not believed.
func (l *Loader) doubts(v clinical.Version) []string {
	if b, ok := v.Body.(clinical.Vitals); ok {
		return l.Plausible(b)
	}
	return nil
}

// nameHeld names the rows held back; one whose fact is held in a usable version
// is named as a correction that was not applied, whatever the order of rows.
func (l *Loader) nameHeld(ctx context.Context, s *Summary, held []feed.Held) error {
	ids := map[clinical.Kind][]string{}
	for _, h := range held {
		if h.SourceID != "" {
			ids[h.Kind] = append(ids[h.Kind], h.SourceID)
		}
	}
	known := map[clinical.Kind]map[string]bool{}
	for kind, list := range ids {
		found, err := l.Store.HeldFacts(ctx, kind, list)
		if err != nil {
			return err
		}
		known[kind] = found
	}
	for _, h := range held {
		s.Problems = append(s.Problems, Problem{h.File, h.Line, h.SourceID, NameCorrection(h, known[h.Kind][h.SourceID])})
	}
	return nil
}

// NameCorrection says of a row held back whether it was a correction.
func NameCorrection(h feed.Held, factHeld bool) string {
	switch h.Status {
	case clinical.Amended, clinical.Corrected, clinical.EnteredInError:
		factHeld = true
	}
	if factHeld {
		return "correction not applied: " + h.Reason
	}
	return h.Reason
}

// unreadableError is a file that cannot be read as a whole; it stops nothing else.
type unreadableError struct{ text string }

func (e *unreadableError) Error() string { return e.text }

func unreadable(format string, args ...any) error {
	return &unreadableError{fmt.Sprintf(format, args...)}
}

// errChanged is a file that grew or was replaced while it was being read.
var errChanged = &unreadableError{"the file changed while it was read; it is read again when it is stable"}

// readFile reads one file in one transaction.
func (l *Loader) readFile(ctx context.Context, load int64, src source, now time.Time) (found finds, err error) {
	if src.err != nil {
		return found, src.err
	}
	kind, err := kindOf(src.name)
	if err != nil {
		return found, err
	}
	f, err := os.Open(src.path)
	if err != nil {
		return found, unreadable("the file cannot be opened: %v", errors.Unwrap(err))
	}
	defer func() { _ = f.Close() }()
	info, err := f.Stat()
	if err != nil {
		return found, unreadable("the file cannot be looked at: %v", err)
	}
	mark := Mark{Name: src.path, Size: info.Size(), ModTime: info.ModTime()}
	fixes, err := l.fixesOf(ctx, mark.Name)
	if err != nil {
		return found, err
	}
	options := feed.Options{Zone: l.Zone, Now: now}
	err = l.Store.LoadFile(ctx, load, mark, func(b Batch) error {
		k := sink{batch: b, doubts: l.doubts, fixes: fixes, options: options}
		defer func() { found = k.finds }()
		if err := csvfeed.Read(f, kind, src.name, options, &k); err != nil {
			if k.failed != nil {
				return k.failed
			}
			return unreadable("the file %v", err)
		}
		if after, err := os.Stat(src.path); err != nil || after.Size() != mark.Size || !after.ModTime().Equal(mark.ModTime) {
			return errChanged
		}
		return nil
	})
	for n := range found.notices {
		found.notices[n].File = src.name
	}
	return found, err
}

// sink hands a reader's rows to the store's batch, and remembers what people
// must be told of.
type sink struct {
	finds
	batch  Batch
	doubts func(clinical.Version) []string
	failed error // of the store, not of the file

	fixes   map[string]feed.Fix
	options feed.Options
}

func (s *sink) Put(v clinical.Version) error {
	if len(s.doubts(v)) > 0 {
		s.doubted = append(s.doubted, v.SourceID)
	}
	if err := s.batch.Put(v); err != nil {
		s.failed = err
	}
	return s.failed
}

// Hold keeps a row back, unless somebody has put it right.
func (s *sink) Hold(h feed.Held) error {
	if f, known := s.fixes[fixKey(h.Kind, h.Header, h.Record)]; known {
		right := h
		right.Header, right.Record = f.NewHeader, f.NewRecord
		if v, reason := reread(right, s.options); reason == "" {
			return s.Put(v)
		}
	}
	s.held = append(s.held, h)
	if err := s.batch.Hold(h); err != nil {
		s.failed = err
	}
	return s.failed
}

func (s *sink) Notice(text string) { s.notices = append(s.notices, Problem{Reason: text}) }

// kindOf tells a file's kind by its name, or why it has none.
func kindOf(name string) (clinical.Kind, error) {
	lower := strings.ToLower(strings.TrimSuffix(strings.ToLower(name), ".gz"))
	for _, ending := range []string{".json", ".ndjson", ".hl7", ".xml"} {
		if strings.HasSuffix(lower, ending) {
			return "", unreadable("the file is of a format that this version does not read; it reads CSV")
		}
	}
	kind, ok := csvfeed.KindOf(name)
	if !ok {
		words := make([]string, len(clinical.Kinds))
		for n, k := range clinical.Kinds {
			words[n] = string(k)
		}
		return "", unreadable("the file is of an unknown kind; its name must start with one of %s", strings.Join(words, ", "))
	}
	return kind, nil
}

// find lists the files of a path: the path itself, or every file below a folder
// but hidden ones, in order of their names.
func find(path string) []source {
	full, err := filepath.Abs(path)
	if err != nil {
		full = path
	}
	info, err := os.Stat(full)
	if err != nil {
		return []source{{path: full, name: filepath.Base(path), err: unreadable("there is no such file or folder: %s", path)}}
	}
	if !info.IsDir() {
		return []source{{path: full, name: filepath.Base(full)}}
	}
	var out []source
	_ = filepath.WalkDir(full, func(p string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			out = append(out, source{path: p, name: filepath.Base(p), err: unreadable("the folder or file cannot be read: %v", err)})
			return nil
		case p != full && strings.HasPrefix(d.Name(), "."):
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		case d.IsDir():
			return nil
		}
		out = append(out, source{path: p, name: d.Name()})
		return nil
	})
	return out
}

// Ways of starting a load that reads no file; the store knows them by these words.
const (
	retried = "retry"
	fixed   = "fix"
)

// Retry reads the rows held back again, by today's clock and lists.
func (l *Loader) Retry(ctx context.Context) (Summary, error) { return l.retry(ctx, 0) }

// RetryRow reads one of the rows held back again. The error is clinical.NotFound where
// it is not held back.
func (l *Loader) RetryRow(ctx context.Context, id int64) (Summary, error) {
	if id <= 0 {
		return Summary{}, notHeld(id)
	}
	return l.retry(ctx, id)
}

func notHeld(id int64) error {
	return clinical.Errorf(clinical.NotFound, "the row %d is not held back any more", id)
}

func (l *Loader) retry(ctx context.Context, only int64) (Summary, error) {
	now := l.Clock()
	rows, err := l.Store.Held(ctx, only)
	if err != nil {
		return Summary{}, err
	}
	if only != 0 && len(rows) == 0 {
		return Summary{}, notHeld(only)
	}
	load, err := l.Store.BeginLoad(ctx, now, retried)
	if err != nil {
		return Summary{}, err
	}
	s := Summary{Problems: []Problem{}}
	var found finds
	for _, id := range byPlace(rows) { // of two rows of one fact and time the later one counts
		h := rows[id]
		v, reason := reread(h, feed.Options{Zone: l.Zone, Now: now})
		if reason != "" {
			h.Reason = reason
			found.held = append(found.held, h)
			continue
		}
		if len(l.doubts(v)) > 0 {
			found.doubted = append(found.doubted, v.SourceID)
		}
		switch err := l.Store.Release(ctx, load, id, v); {
		case clinical.CodeOf(err) == clinical.NotFound: // its file was read again meanwhile
		case err != nil:
			return s, err
		}
	}
	err = l.finish(ctx, load, &s, found)
	s.Quarantined = len(found.held)
	s.Rows = s.Accepted + s.Unchanged + s.Superseded + s.Waiting + s.Quarantined
	return s, err
}

// Fix reads a row held back as somebody has put it right: header and record in place
// of those received, in the same place of the same file, so that its version counts
// as if it had come so. Whenever the file is read again and the row stands in it as it
// did, the same is read in its place. A reason other than "" says why it still cannot
// be used; nothing is stored then. The error is clinical.NotFound where the row is not
// held back.
func (l *Loader) Fix(ctx context.Context, id int64, header, record []string, who string) (s Summary, reason string, err error) {
	now := l.Clock()
	rows, err := l.Store.Held(ctx, id)
	if err != nil {
		return Summary{}, "", err
	}
	h, held := rows[id]
	if !held || id <= 0 {
		return Summary{}, "", notHeld(id)
	}
	was := h
	h.Header, h.Record = header, record
	v, reason := reread(h, feed.Options{Zone: l.Zone, Now: now})
	if reason != "" {
		return Summary{}, reason, nil
	}
	load, err := l.Store.BeginLoad(ctx, now, fixed)
	if err != nil {
		return Summary{}, "", err
	}
	s.Problems = []Problem{}
	fix := feed.Fix{Kind: was.Kind, Header: was.Header, Record: was.Record, NewHeader: header, NewRecord: record, Who: who, At: now}
	if err := l.Store.Fix(ctx, load, id, v, fix); err != nil {
		return s, "", err
	}
	var found finds
	if len(l.doubts(v)) > 0 {
		found.doubted = append(found.doubted, v.SourceID)
	}
	return s, "", l.finish(ctx, load, &s, found)
}

// fixesOf are the rows of a file that were put right, by what they were.
func (l *Loader) fixesOf(ctx context.Context, path string) (map[string]feed.Fix, error) {
	list, err := l.Store.Fixes(ctx, path)
	out := make(map[string]feed.Fix, len(list))
	for _, f := range list { // of two, the later one
		out[fixKey(f.Kind, f.Header, f.Record)] = f
	}
	return out, err
}

// fixKey tells a row by all that was received of it, wherever in its file it stands.
func fixKey(kind clinical.Kind, header, record []string) string {
	return fmt.Sprintf("%s %q %q", kind, header, record)
}

// byPlace lists the ids of rows held back by where the rows stand.
func byPlace(rows map[int64]feed.Held) []int64 {
	return slices.SortedFunc(maps.Keys(rows), func(a, b int64) int {
		return cmp.Or(strings.Compare(rows[a].File, rows[b].File), rows[a].Line-rows[b].Line, cmp.Compare(a, b))
	})
}

func reread(h feed.Held, o feed.Options) (clinical.Version, string) {
	if len(h.Header) == 0 || len(h.Record) != len(h.Header) {
		return clinical.Version{}, h.Reason
	}
	v, reason := csvfeed.Parse(h.Kind, h.Header, h.Record, o)
	v.Feed, v.File, v.Line = h.Feed, h.File, h.Line
	return v, reason
}
