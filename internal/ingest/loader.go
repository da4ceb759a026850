package ingest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Store is what the loader needs of a store.
type Store interface {
	BeginLoad(ctx context.Context, at time.Time, how string) (int64, error)
	// Take takes a delivery in, in one transaction: what read hands on is stored with the
	// bookmark, or nothing of it where read fails.
	Take(ctx context.Context, d records.Delivery, read func(records.Batch) error) (records.Taken, error)
	FinishLoad(ctx context.Context, load int64, at time.Time) (records.Counts, error)
	// AcceptedAmong streams, of the facts named, the versions that the load brought and
	// that count.
	AcceptedAmong(ctx context.Context, load int64, kind clinical.Kind, sourceIDs []string, each func(clinical.Version) error) error
	// EachAccepted streams all of them, by file and line.
	EachAccepted(ctx context.Context, load int64, kind clinical.Kind, each func(clinical.Version) error) error
	// EachWaiting hands on the rows of a finished load that wait, by file and line.
	EachWaiting(ctx context.Context, load int64, each func(records.RowRef) error) error
	// FileMarks are the states in which files were last read, by full path.
	FileMarks(ctx context.Context) (map[string]records.Mark, error)
	// HasFacts tells which of the identities have a usable version in the store.
	HasFacts(ctx context.Context, kind clinical.Kind, sourceIDs []string) (map[string]bool, error)
	// TakenHere are those of the facts named that were taken here.
	TakenHere(ctx context.Context, sourceIDs []string) (map[string]records.TakenHere, error)
	HeldRows(ctx context.Context, q records.HeldQuery) ([]records.Held, error)
	// EachHeld hands on held rows by file and line, in memory that does not grow with them.
	EachHeld(ctx context.Context, q records.HeldQuery, each func(records.Held) error) error
	// EachUnmapped hands on the rows with codes that nothing told, with the name of what brought them; each
	// may write. DoneUnmapped notes which of those codes nothing tells still.
	EachUnmapped(ctx context.Context, each func(name string, h records.Held) error) error
	DoneUnmapped(ctx context.Context, id int64, codes string) error
	// IsHeld reports whether a row is held back already, as it stands.
	IsHeld(ctx context.Context, h records.Held) (bool, error)
	// StaysHeld notes why a row that was read again stays held, and when it is next.
	StaysHeld(ctx context.Context, h records.Held) error
	// FixesOf are the rows of a file (its full path) that were put right, oldest first.
	FixesOf(ctx context.Context, path string) ([]records.Fix, error)
}

// Loader reads feeds into a store.
type Loader struct {
	Store   Store
	Readers []feed.Reader // in the order in which they are asked whether a file is theirs
	Clock   clinical.Clock
	Zone    *time.Location
	// Plausible names values that are not believed; see V-PLAUSIBLE.
	Plausible func(clinical.Vitals) []string
	// Outward makes of facts that somebody took here the messages that go to the hospital's record; nil:
	// nothing goes there.
	Outward func(who string, at time.Time, facts []clinical.Version, s records.Sending) []records.Outgoing
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

// outcome is what came of a file.
type outcome struct {
	path    string
	growing bool   // it is still being written
	read    int64  // bytes of it that were read then
	refused string // why it cannot be read for what is in it
	failed  error  // why the store did not take it
}

// load reads the sources and also returns what came of each file. One that is still being written,
// and cannot be read in part, is in no count: nothing is wrong with it yet.
func (l *Loader) load(ctx context.Context, sources []source, how string) (s Summary, came []outcome, err error) {
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
		o := outcome{path: src.path, growing: src.growing(), read: f.read}
		var unreadable *unreadableError
		switch {
		case errors.As(err, &unreadable) && unreadable == errChanged && !o.growing:
			s.unread(src, err)
		case errors.As(err, &unreadable):
			if o.refused = unreadable.Error(); o.growing {
				s.Files--
			} else {
				s.unread(src, err)
			}
		case ctx.Err() != nil:
			return s, nil, ctx.Err()
		case err != nil: // stops nothing else, and is tried again
			o.failed = err
			s.unread(src, fmt.Errorf("the file could not be stored: %w", err))
		default:
			found.doubt(f)
		}
		came = append(came, o)
	}
	err = l.finish(ctx, load, &s, found, records.HeldQuery{Load: load})
	return s, came, err
}

// readFile reads one file in one transaction.
func (l *Loader) readFile(ctx context.Context, load int64, src source, now time.Time) (finds, error) {
	f, info, err := src.open()
	if err != nil {
		return finds{}, err
	}
	defer func() { _ = f.Close() }()
	settled, mark, err := src.settled(f, info)
	if err != nil {
		return finds{}, err
	}
	text, head, opening := feed.Open(settled)
	reader := l.readerOf(src.name, head)
	switch {
	case reader == nil:
		return finds{}, noReader(src.name)
	case opening != nil:
		return finds{}, unreadable("the file %v", opening)
	}
	fixes, err := l.fixesOf(ctx, mark.Name)
	if err != nil {
		return finds{}, err
	}
	r := fileReading{
		sink: sink{loader: l, fixes: fixes, options: l.options(now)},
		from: reader, text: text, name: src.name, mark: mark,
	}
	r.options.Growing = src.growing()
	_, err = l.Store.Take(ctx, records.Delivery{Load: load, File: &mark, Growing: src.growing()}, r.into)
	for n := range r.notices {
		r.notices[n].File = src.name
	}
	r.finds.read = mark.Size
	return r.finds, err
}

// options are what a reader must know of the site and the moment.
func (l *Loader) options(now time.Time) feed.Options { return feed.Options{Zone: l.Zone, Now: now} }

// readerOf is the reader of a file that begins so, nil where there is none.
func (l *Loader) readerOf(name string, head []byte) feed.Reader {
	for _, r := range l.Readers {
		if r.Sniff(name, head) {
			return r
		}
	}
	return nil
}

// readerNamed is the reader of a feed, nil where there is none.
func (l *Loader) readerNamed(feedName string) feed.Reader {
	for _, r := range l.Readers {
		if r.Feed() == feedName {
			return r
		}
	}
	return nil
}

// fileReading is one file on its way into the store.
type fileReading struct {
	sink
	from feed.Reader
	text io.Reader
	name string
	mark records.Mark
}

// into reads the file into the store's batch.
func (r *fileReading) into(b records.Batch) error {
	r.batch = b
	if err := r.from.Read(r.text, r.name, r.options, &r.sink); err != nil {
		if r.failed != nil {
			return r.failed
		}
		return unreadable("the file %v", err)
	}
	if err := r.compose(r.from); err != nil {
		return err
	}
	after, err := os.Stat(r.mark.Name)
	switch {
	case err != nil:
		return errChanged
	case r.options.Growing && after.Size() >= r.mark.Size:
		return nil
	case after.Size() != r.mark.Size || !after.ModTime().Equal(r.mark.ModTime):
		return errChanged
	}
	return nil
}

// settled is what is to be read of a file, and the bookmark of that: of one that is still being
// written it tells no time, so that the file counts as another once it is whole.
func (s source) settled(f *os.File, info os.FileInfo) (io.Reader, records.Mark, error) {
	if !s.growing() {
		return f, records.Mark{Name: s.path, Size: info.Size(), ModTime: info.ModTime()}, nil
	}
	end, err := wholeLines(f, s.upTo)
	switch {
	case err != nil:
		return nil, records.Mark{}, errChanged
	case end == 0:
		return nil, records.Mark{}, errNoLine
	}
	return io.NewSectionReader(f, 0, end), records.Mark{Name: s.path, Size: end}, nil
}
