package ingest

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Watcher reads the files of a feed folder that are new or have changed. Of a file that is
// still being written it reads what has settled, where its format can be read in part.
type Watcher struct {
	Loader *Loader
	Dir    string
	// Settle is how long what a file holds must have stayed as it is before it is read.
	Settle time.Duration
	Clock  clinical.Clock
	Log    *slog.Logger // told of files that cannot be read, and of those left for long; nil: nobody is

	mu    sync.Mutex
	last  Look
	files map[string]*watched // those not read as they now stand, as seen at the look before
}

// watched is a file that is not read as it stands.
type watched struct {
	mark    records.Mark
	refused string // why it cannot be read; not tried again until it changes
	growth
}

// growth is how far a file that is still being written has been read.
type growth struct {
	unreadSince time.Time    // something of it has not been read since; zero: all has
	settling    records.Mark // as it was at a look; settled once that is long enough ago
	settlingAt  time.Time
	read        int64 // bytes
	whole       bool  // it cannot be read in part
	nextAt      time.Time
	told        bool // in the log
}

// Look is what the watcher last found.
type Look struct {
	At      time.Time // the last look that read the folder to its end; zero: none yet
	Dir     string
	Summary Summary // of the last look that read anything
	ReadAt  time.Time
	Err     error // of the last look
	Left    int   // files left, in whole or in part, because they are still being written
	Growing []records.GrowingFile
	Refused []Problem // files that cannot be read as they are
}

// Last tells what the watcher last found.
func (w *Watcher) Last() Look {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.last
}

// Poll looks at the folder once and reads what is new, changed and settled.
func (w *Watcher) Poll(ctx context.Context) error {
	now := w.Clock()
	sources, err := w.due(ctx, now)
	var summary Summary
	var came []outcome
	read := false
	if err == nil && len(sources) > 0 {
		summary, came, err = w.Loader.load(ctx, sources, "schedule")
		read = err == nil
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if err == nil {
		w.took(came, now)
		err = unstored(came)
	}
	w.last.Dir, w.last.Err = w.Dir, err
	w.tell(now)
	if err == nil {
		w.last.At = now
	}
	if read {
		w.last.Summary, w.last.ReadAt = summary, now
	}
	return err
}

// unstored says that files could not be stored, and why the first could not; nil where all were. It
// is the database's fault, and not theirs: they are tried again at the next look.
func unstored(came []outcome) error {
	n, first := 0, error(nil)
	for _, o := range came {
		if clinical.CodeOf(o.failed) != clinical.Unavailable {
			continue // all is well, or something is wrong with this file alone
		}
		if n++; n == 1 {
			first = o.failed
		}
	}
	if n == 0 {
		return nil
	}
	return fmt.Errorf("%d of the files of the feed folder could not be stored: %w", n, first)
}

// due lists the files to be read now, whole or as far as they have settled.
func (w *Watcher) due(ctx context.Context, now time.Time) (due []source, err error) {
	if _, err := os.ReadDir(w.Dir); err != nil {
		return nil, fmt.Errorf("the feed folder cannot be read: %w; check PLUMBLINE_FEED_DIR and the folder's rights", err)
	}
	marks, err := w.Loader.Store.FileMarks(ctx)
	if err != nil {
		return nil, err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	before := w.files
	w.files = map[string]*watched{}
	for _, src := range find(w.Dir) {
		mark, err := stat(src)
		if err != nil {
			due = append(due, source{path: src.path, name: src.name, err: unreadable("the file cannot be looked at: %v", err)})
			continue
		}
		if same(marks[src.path], mark) {
			continue
		}
		f, known := before[src.path]
		switch {
		case known && f.refused != "" && same(f.mark, mark):
			w.files[src.path] = f
			continue
		case !known:
			f = &watched{}
		}
		w.files[src.path] = f
		if src.err != nil || w.stable(f, known, mark, now) {
			due = append(due, src)
		} else if src.upTo = f.settled(mark, now, w.Settle); src.upTo > 0 {
			due = append(due, src)
		}
		f.mark, f.refused = mark, ""
	}
	return due, nil
}

// stable: the file has not been written to for a while, and has not changed
// since the look before if there was one.
func (w *Watcher) stable(f *watched, known bool, mark records.Mark, now time.Time) bool {
	if known {
		return same(f.mark, mark)
	}
	return now.Sub(mark.ModTime) >= w.Settle
}

// settled is how much of a file that is still being written may be read now: what stood there
// at a look that is long enough ago, or all of it, where it was written to last long enough
// ago. 0: nothing more than was read already.
func (g *growth) settled(mark records.Mark, now time.Time, settle time.Duration) (upTo int64) {
	switch {
	case mark.Size < g.settling.Size: // another file of the same name
		*g = growth{unreadSince: now}
	case g.settlingAt.After(now): // the clock was set back
		*g = growth{unreadSince: now, read: g.read}
	}
	if g.unreadSince.IsZero() {
		g.unreadSince = now
	}
	switch {
	case now.Sub(mark.ModTime) >= settle && !g.settlingAt.IsZero():
		upTo = mark.Size
	case !g.settlingAt.IsZero() && now.Sub(g.settlingAt) >= settle:
		upTo = g.settling.Size
	}
	if g.settlingAt.IsZero() || now.Sub(g.settlingAt) >= settle {
		g.settling, g.settlingAt = mark, now
	}
	if g.whole || upTo <= g.read || now.Before(g.nextAt) {
		return 0
	}
	return upTo
}

// restTimes is how many times as long as reading a file took it is left alone, while it grows:
// all of it is read each time.
const restTimes = 10

// took notes what came of the files that were due.
func (w *Watcher) took(came []outcome, now time.Time) {
	for _, o := range came {
		f := w.files[o.path]
		switch {
		case f == nil: // it is gone
		case o.growing && o.refused != "":
			f.whole = f.read == 0 && o.refused != errNoLine.text
		case o.refused != "":
			f.refused = o.refused
			w.log("a file of the feed folder cannot be read", o.path, "why", o.refused)
		case o.growing:
			f.read, f.unreadSince = o.read, time.Time{}
			if f.mark.Size > o.read {
				f.unreadSince = now
			}
			f.nextAt = now.Add(restTimes * w.Clock().Sub(now))
		default: // it is read whole, or is tried again
			f.unreadSince = time.Time{}
		}
	}
}

// leftLong is from when on the log is told of a file that is still being written.
const leftLong = 5 * time.Minute

// tell gathers what people are told of the files.
func (w *Watcher) tell(now time.Time) {
	w.last.Growing, w.last.Refused = nil, nil
	for _, path := range slices.Sorted(maps.Keys(w.files)) {
		f, name := w.files[path], filepath.Base(path)
		switch {
		case f.refused != "":
			w.last.Refused = append(w.last.Refused, Problem{File: name, Reason: f.refused})
		case !f.unreadSince.IsZero():
			w.last.Growing = append(w.last.Growing, records.GrowingFile{Name: name, Size: f.mark.Size, Read: f.read, Since: f.unreadSince})
			if waited := now.Sub(f.unreadSince); waited >= leftLong && !f.told {
				f.told = true
				w.log("a file of the feed folder is still being written, and what came last is not read yet", path,
					"for", waited, "bytes", f.mark.Size, "read", f.read)
			}
		}
	}
	w.last.Left = len(w.last.Growing)
}

func (w *Watcher) log(what, path string, about ...any) {
	if w.Log != nil {
		w.Log.Warn(what, append([]any{"file", filepath.Base(path)}, about...)...)
	}
}

func stat(src source) (records.Mark, error) {
	look := os.Stat
	if src.err != nil { // of what is not read, a link too, it is enough to see whether it changes
		look = os.Lstat
	}
	info, err := look(src.path)
	if err != nil {
		return records.Mark{}, err
	}
	return records.Mark{Name: filepath.Clean(src.path), Size: info.Size(), ModTime: info.ModTime()}, nil
}

// same compares two states of a file to the microsecond, which is what the
// store keeps.
func same(a, b records.Mark) bool {
	return a.Size == b.Size && a.ModTime.Truncate(time.Microsecond).Equal(b.ModTime.Truncate(time.Microsecond))
}
