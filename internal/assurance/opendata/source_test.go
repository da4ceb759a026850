package opendata

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"plumbline/internal/testdb"
)

// folderVariable names the folder that holds the open data.
const folderVariable = "PLUMBLINE_OPEN_DATA"

// defaultFolder is the folder's place beside the repository, from this package.
const defaultFolder = "../../../../shared/data"

// The tables of a trial that the tests read: demographics, vital signs and
// concomitant medications (CDISC SDTM domains).
const (
	demographics = "dm"
	vitalSigns   = "vs"
	medications  = "cm"
)

// trial holds the tables of one folder as they stand.
type trial struct {
	name   string
	tables map[string][]byte // CSV text by table
}

// trials reads every trial there is, and skips the test where there is none.
func trials(t *testing.T) []trial {
	t.Helper()
	_ = os.Getenv(testdb.Tools)
	top := os.Getenv(folderVariable)
	if top == "" {
		top = defaultFolder
	}
	folders, err := filepath.Glob(filepath.Join(top, "cdisc-pilot*"))
	if err != nil {
		t.Fatal(err)
	}
	var all []trial
	for _, folder := range append(folders, top) {
		if tr, ok := readTrial(t, folder); ok {
			all = append(all, tr)
		}
	}
	if len(all) == 0 {
		t.Skipf("the open data is not on this machine: there is no folder cdisc-pilot* with the tables vs, dm and cm below %s; %s names another place", top, folderVariable)
	}
	return all
}

// readTrial reads the tables of a folder; ok is false where it holds no vital signs.
func readTrial(t *testing.T, folder string) (tr trial, ok bool) {
	t.Helper()
	tr = trial{name: filepath.Base(folder), tables: map[string][]byte{}}
	for _, table := range []string{vitalSigns, demographics, medications} {
		text, err := readTable(filepath.Join(folder, table+".csv"))
		if errors.Is(err, fs.ErrNotExist) && table == vitalSigns {
			return tr, false
		}
		if err != nil {
			t.Fatalf("the open data in %s is not whole: %v", folder, err)
		}
		tr.tables[table] = text
	}
	return tr, true
}

// readTable reads a CSV file, or the same file compressed.
func readTable(path string) ([]byte, error) {
	text, err := os.ReadFile(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return text, err
	}
	f, err := os.Open(path + ".gz")
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		return nil, err
	}
	return io.ReadAll(z)
}

// digest tells one state of a table from another.
func (tr trial) digest(table string) string {
	sum := sha256.Sum256(tr.tables[table])
	return hex.EncodeToString(sum[:])
}

// together puts the halves of a trial into one; ok is false where their tables
// have not the same columns.
func together(all []trial) (whole trial, ok bool) {
	whole = trial{name: "together", tables: map[string][]byte{}}
	for _, tr := range all {
		for table, text := range tr.tables {
			header, rows, _ := bytes.Cut(text, []byte("\n"))
			first, _, some := bytes.Cut(whole.tables[table], []byte("\n"))
			switch {
			case !some:
				whole.tables[table] = slices.Clone(text)
			case !bytes.Equal(first, header):
				return whole, false
			default:
				whole.tables[table] = append(whole.tables[table], rows...)
			}
		}
	}
	return whole, len(all) > 1
}

// row is one row of a table, by column.
type row map[string]string

func (tr trial) rows(t *testing.T, table string) []row {
	t.Helper()
	records, err := csv.NewReader(bytes.NewReader(tr.tables[table])).ReadAll()
	if err != nil {
		t.Fatalf("table %s: %v", table, err)
	}
	if len(records) == 0 {
		t.Fatalf("table %s is empty", table)
	}
	var out []row
	for _, record := range records[1:] {
		r := row{}
		for n, column := range records[0] {
			r[column] = record[n]
		}
		out = append(out, r)
	}
	return out
}

// columns are the names of a table's columns, in order.
func (tr trial) columns(t *testing.T, table string) []string {
	t.Helper()
	header, err := csv.NewReader(bytes.NewReader(tr.tables[table])).Read()
	if err != nil {
		t.Fatalf("table %s: %v", table, err)
	}
	return slices.Clone(header)
}
