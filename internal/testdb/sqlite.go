package testdb

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// SQLiteFrom returns the path of a new copy of a SQLite file that fill has prepared,
// in a folder of the test's own. fill must have closed the file when it returns.
//
// The prepared file is kept in the system's temporary folder (see Templates) under its
// name and key, and serves every later test of this machine with the same key: the key
// must change with whatever fill depends on (see KeyOf). Two processes that prepare it at
// one time each do, and the last one's stays.
func SQLiteFrom(tb testing.TB, name, key string, fill func(path string) error) string {
	tb.Helper()
	made, _ := files.LoadOrStore(name+"-"+key, &templateFile{})
	t := made.(*templateFile)
	t.once.Do(func() { t.data, t.err = t.prepare(name, key, fill) })
	if t.err != nil {
		tb.Fatalf("prepare the template file %q: %v", name, t.err)
	}
	path := filepath.Join(tb.TempDir(), name+".db")
	if err := os.WriteFile(path, t.data, 0o600); err != nil {
		tb.Fatal(err)
	}
	return path
}

// Templates names the folder of the prepared files where the temporary folder ends with the run.
const Templates = "PLUMBLINE_TEST_TEMPLATES"

var files sync.Map // name and key -> *templateFile

type templateFile struct {
	once sync.Once
	data []byte // the whole file: a test's copy is one write
	err  error
}

func (t *templateFile) prepare(name, key string, fill func(path string) error) ([]byte, error) {
	folder := filepath.Join(cmp.Or(os.Getenv(Templates), os.TempDir()), "plumbline-testdb-"+strconv.Itoa(os.Getuid()))
	kept := filepath.Join(folder, name+"-"+key+".db")
	if data, err := os.ReadFile(kept); err == nil {
		return data, nil
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, err
	}
	removeOld(folder)
	private, err := os.MkdirTemp(folder, "new-")
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.RemoveAll(private) }()
	path := filepath.Join(private, name+".db")
	if err := fill(path); err != nil {
		return nil, err
	}
	if _, err := os.Stat(path + "-wal"); err == nil {
		return nil, fmt.Errorf("%s-wal is left: fill must close what it has opened", path)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return data, os.Rename(path, kept)
}

// keptFor is how long a template is kept that nothing makes anew.
const keptFor = 3 * 24 * time.Hour

// removeOld removes templates of old keys, and what a test that was killed has left.
// What cannot be removed stays: it is only in the way of room on the disk.
func removeOld(folder string) {
	entries, _ := os.ReadDir(folder)
	for _, e := range entries {
		if info, err := e.Info(); err == nil && time.Since(info.ModTime()) > keptFor {
			_ = os.RemoveAll(filepath.Join(folder, e.Name()))
		}
	}
}

// KeyOf is a hash of the files below folders of this module, given from its root, the
// tests among them apart: while it is the same, so is what their code prepares.
func KeyOf(folders ...string) (string, error) {
	root, err := moduleRoot()
	if err != nil {
		return "", err
	}
	sum := sha256.New()
	for _, folder := range append(folders, "go.mod") {
		err := filepath.WalkDir(filepath.Join(root, folder), func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case d.IsDir() && d.Name() == "testdata":
				return filepath.SkipDir
			case d.IsDir() || strings.HasSuffix(path, "_test.go"):
				return nil
			}
			data, err := os.ReadFile(path)
			_, _ = fmt.Fprintf(sum, "%s %d\n%s", filepath.ToSlash(strings.TrimPrefix(path, root)), len(data), data)
			return err
		})
		if err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(sum.Sum(nil))[:24], nil
}

// moduleRoot is the folder of go.mod; go test runs each test in its package's folder.
func moduleRoot() (string, error) {
	start, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for dir := start; ; dir = filepath.Dir(dir) {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir, nil
		}
		if dir == filepath.Dir(dir) {
			return "", fmt.Errorf("no folder above %s holds a go.mod; run the test in its package's folder", start)
		}
	}
}
