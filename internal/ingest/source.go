package ingest

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"plumbline/internal/clinical"
)

// source is one file to be read.
type source struct {
	path string // full path
	name string // base name, by which versions of equal time are ordered
	err  error  // why the file cannot be opened
}

// unreadableError is a file that cannot be read as a whole; it stops nothing else.
type unreadableError struct{ text string }

func (e *unreadableError) Error() string { return e.text }

func unreadable(format string, args ...any) error {
	return &unreadableError{fmt.Sprintf(format, args...)}
}

// errChanged is a file that grew or was replaced while it was being read.
var errChanged = &unreadableError{"the file changed while it was read; it is read again when it is stable"}

// noReader says why no reader takes a file.
func noReader(name string) error {
	plain := strings.TrimSuffix(strings.ToLower(name), ".gz")
	for _, ending := range []string{".json", ".ndjson", ".hl7", ".xml"} {
		if strings.HasSuffix(plain, ending) {
			return unreadable("the file is of a format that this version does not read; it reads CSV and FHIR R4 (JSON)")
		}
	}
	words := make([]string, len(clinical.Kinds))
	for n, k := range clinical.Kinds {
		words[n] = string(k)
	}
	return unreadable("the file is of an unknown kind; its name must start with one of %s", strings.Join(words, ", "))
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
