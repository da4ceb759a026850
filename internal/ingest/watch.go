package ingest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Watcher reads the files of a feed folder that are new or have changed.
type Watcher struct {
	Loader *Loader
	Dir    string
	// Settle is how long a file must have stayed as it is before it is read: one
	// still being written is left for the next look.
	Settle time.Duration
	Clock  clinical.Clock

	mu       sync.Mutex
	last     Look
	lookedAt map[string]records.Mark // as seen at the look before
	refused  map[string]records.Mark // could not be read for what is in them; not tried again until changed
}

// Look is what the watcher last found.
type Look struct {
	At      time.Time // the last look that read the folder to its end; zero: none yet
	Dir     string
	Summary Summary // of the last look that read anything
	ReadAt  time.Time
	Err     error // of the last look
	Left    int   // files left because they are still being written
}

// Last tells what the watcher last found.
func (w *Watcher) Last() Look {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.last
}

// Poll looks at the folder once and reads what is new, changed and stable.
func (w *Watcher) Poll(ctx context.Context) error {
	now := w.Clock()
	sources, left, err := w.due(ctx, now)
	var summary Summary
	var refused []string
	if err == nil && len(sources) > 0 {
		summary, refused, err = w.Loader.load(ctx, sources, "schedule")
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, path := range refused {
		w.refused[path] = w.lookedAt[path]
	}
	w.last.Dir, w.last.Err, w.last.Left = w.Dir, err, left
	if err == nil {
		w.last.At = now
	}
	if err == nil && len(sources) > 0 {
		w.last.Summary, w.last.ReadAt = summary, now
	}
	return err
}

// due lists the files to be read now, and counts those left until they are stable.
func (w *Watcher) due(ctx context.Context, now time.Time) (due []source, left int, err error) {
	if _, err := os.ReadDir(w.Dir); err != nil {
		return nil, 0, fmt.Errorf("the feed folder cannot be read: %w; check PLUMBLINE_FEED_DIR and the folder's rights", err)
	}
	marks, err := w.Loader.Store.FileMarks(ctx)
	if err != nil {
		return nil, 0, err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	seen, refused := map[string]records.Mark{}, map[string]records.Mark{}
	for _, src := range find(w.Dir) {
		mark, err := stat(src)
		if err != nil {
			due = append(due, source{path: src.path, name: src.name, err: unreadable("the file cannot be looked at: %v", err)})
			continue
		}
		seen[src.path] = mark
		if same(marks[src.path], mark) {
			continue
		}
		if before, ok := w.refused[src.path]; ok && same(before, mark) {
			refused[src.path] = mark
			continue
		}
		if !w.stable(src.path, mark, now) {
			left++
			continue
		}
		due = append(due, src)
	}
	w.lookedAt, w.refused = seen, refused
	return due, left, nil
}

// stable: the file has not been written to for a while, and has not changed
// since the look before if there was one.
func (w *Watcher) stable(path string, mark records.Mark, now time.Time) bool {
	if before, ok := w.lookedAt[path]; ok && same(before, mark) {
		return true
	}
	return now.Sub(mark.ModTime) >= w.Settle && w.lookedAt[path].Name == ""
}

func stat(src source) (records.Mark, error) {
	if src.err != nil {
		return records.Mark{}, src.err
	}
	info, err := os.Stat(src.path)
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
