package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"plumbline/internal/clinical"
)

// source is one file to be read.
type source struct {
	path   string // full path
	name   string // base name, by which versions of equal time are ordered
	folder string // in which it was looked for, and which no link may leave; empty where it was named itself
	upTo   int64  // bytes that have settled of a file that is still being written; 0: it is whole
	err    error  // why the file cannot be opened
}

// growing reports whether the file is still being written.
func (s source) growing() bool { return s.upTo > 0 }

// open opens the file, and waits for nobody: of a named pipe that has no writer, a plain
// open would never return. Only a regular file is opened, and no link that leaves the folder.
func (s source) open() (*os.File, fs.FileInfo, error) {
	if s.err != nil {
		return nil, nil, s.err
	}
	f, err := s.openAny(os.O_RDONLY | syscall.O_NONBLOCK)
	if err != nil {
		return nil, nil, unreadable("the file cannot be opened: %v", errors.Unwrap(err))
	}
	info, err := f.Stat()
	switch {
	case err != nil:
		err = unreadable("the file cannot be looked at: %v", err)
	case !info.Mode().IsRegular():
		err = notRegular(info.Mode())
	default:
		return f, info, nil
	}
	_ = f.Close()
	return nil, nil, err
}

func (s source) openAny(flag int) (*os.File, error) {
	if s.folder == "" {
		return os.OpenFile(s.path, flag, 0)
	}
	root, err := os.OpenRoot(s.folder)
	if err != nil {
		return nil, err
	}
	defer func() { _ = root.Close() }()
	below, err := filepath.Rel(s.folder, s.path)
	if err != nil {
		return nil, err
	}
	return root.OpenFile(below, flag, 0)
}

// notRegular says of what is no file that it is not read.
func notRegular(mode fs.FileMode) error {
	what := "no regular file"
	switch {
	case mode.IsDir():
		what = "a link to a folder"
	case mode&fs.ModeNamedPipe != 0:
		what = "a named pipe"
	case mode&fs.ModeSocket != 0:
		what = "a socket"
	case mode&fs.ModeDevice != 0:
		what = "a device"
	}
	return unreadable("it is %s, and only regular files are read; take it out of the folder", what)
}

// unreadableError is a file that cannot be read as a whole; it stops nothing else.
type unreadableError struct{ text string }

func (e *unreadableError) Error() string { return e.text }

func unreadable(format string, args ...any) error {
	return &unreadableError{fmt.Sprintf(format, args...)}
}

// errChanged is a file that grew or was replaced while it was being read.
var errChanged = &unreadableError{"the file changed while it was read; it is read again when it is stable"}

// errNoLine is a file that is still being written, and holds no whole line.
var errNoLine = &unreadableError{"the file has no whole line yet"}

// noReader says why no reader takes a file.
func noReader(name string) error {
	plain := strings.TrimSuffix(strings.ToLower(name), ".gz")
	for _, ending := range []string{".json", ".ndjson", ".hl7", ".xml"} {
		if strings.HasSuffix(plain, ending) {
			return unreadable("the file is of a format that this version does not read; it reads CSV, FHIR R4 (JSON) and HL7 v2")
		}
	}
	words := make([]string, len(clinical.Kinds))
	for n, k := range clinical.Kinds {
		words[n] = string(k)
	}
	return unreadable("the file is of an unknown kind; its name must start with one of %s", strings.Join(words, ", "))
}

// find lists the files of a path: the path itself, or every file below a folder
// but hidden ones, in order of their names. What is no regular file is named with the reason
// why it is not read.
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
	real, err := filepath.EvalSymlinks(full) // the folder itself may be a link
	if err != nil {
		real = full
	}
	var out []source
	_ = filepath.WalkDir(real, func(p string, d fs.DirEntry, err error) error {
		path := full + strings.TrimPrefix(p, real)
		switch {
		case err != nil:
			out = append(out, source{path: path, name: filepath.Base(p), err: unreadable("the folder or file cannot be read: %v", err)})
			return nil
		case p != real && strings.HasPrefix(d.Name(), "."):
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		case d.IsDir():
			return nil
		}
		out = append(out, source{path: path, name: d.Name(), folder: full, err: irregular(full, path, d)})
		return nil
	})
	return out
}

// irregular says why an entry of a folder is not read, nil where it is a regular file or a link
// to one within the folder.
func irregular(folder, path string, d fs.DirEntry) error {
	mode := d.Type()
	if mode&fs.ModeSymlink != 0 {
		root, err := os.OpenRoot(folder)
		if err != nil {
			return unreadable("the folder cannot be read: %v", err)
		}
		defer func() { _ = root.Close() }()
		info, err := root.Stat(strings.TrimPrefix(path, folder+string(filepath.Separator)))
		if err != nil {
			return unreadable("it is a symbolic link that leaves the folder or leads nowhere, and is not followed; " +
				"put the file itself into the folder")
		}
		mode = info.Mode().Type()
	}
	if mode != 0 {
		return notRegular(mode)
	}
	return nil
}

// farthest is how far back of what has settled a line end is looked for.
const farthest = 32 << 20

// wholeLines is where the last line ends within the first upTo bytes, 0 where none does. A file
// that has no LF there is one of CR: messages of HL7 v2 may be.
func wholeLines(f io.ReaderAt, upTo int64) (int64, error) {
	const block = 64 << 10
	buf, carriage := make([]byte, block), int64(0)
	for end := upTo; end > 0 && upTo-end < farthest; {
		from := max(0, end-block)
		part := buf[:end-from]
		if _, err := f.ReadAt(part, from); err != nil {
			return 0, err // it was cut meanwhile
		}
		if n := bytes.LastIndexByte(part, '\n'); n >= 0 {
			return from + int64(n) + 1, nil
		}
		if n := bytes.LastIndexByte(part, '\r'); n >= 0 && carriage == 0 {
			carriage = from + int64(n) + 1
		}
		end = from
	}
	return carriage, nil
}
