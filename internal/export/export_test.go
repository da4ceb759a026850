package export

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"errors"
	"io/fs"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"
)

func table(t *testing.T) Sheet {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Fatal(err)
	}
	drop := -12.5
	at := time.Date(2026, 6, 1, 6, 30, 0, 0, time.UTC)
	return Sheet{
		Name: "Doses", Zone: zone, Head: []string{"drug", "drop, mmHg", "doses", "held", "at"},
		Rows: [][]any{
			{"tamsulosin, \"oral\"", &drop, 2, true, at},
			{"=1+1", math.NaN(), nil, (*bool)(nil), time.Time{}},
		},
	}
}

func TestCSVKeepsNumbersAndTimesAndLeavesMissingEmpty(t *testing.T) {
	var b bytes.Buffer
	if err := CSV(&b, table(t)); err != nil {
		t.Fatal(err)
	}
	want := "\uFEFFdrug,\"drop, mmHg\",doses,held,at\r\n" +
		"\"tamsulosin, \"\"oral\"\"\",-12.5,2,true,2026-06-01T08:30:00+02:00\r\n" +
		"'=1+1,,,,\r\n"
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Error(diff)
	}
}

func TestXLSXKeepsNumbersAndSheetsApart(t *testing.T) {
	first, second := table(t), table(t)
	second.Name, second.Rows = "Empty", nil
	var b bytes.Buffer
	if err := XLSX(&b, first, second); err != nil {
		t.Fatal(err)
	}
	book, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	if diff := cmp.Diff([]string{"Doses", "Empty"}, book.GetSheetList()); diff != "" {
		t.Error(diff)
	}
	rows, err := book.GetRows("Doses")
	if err != nil {
		t.Fatal(err)
	}
	want := [][]string{
		{"drug", "drop, mmHg", "doses", "held", "at"},
		{`tamsulosin, "oral"`, "-12.5", "2", "TRUE", "2026-06-01T08:30:00+02:00"},
		{"'=1+1"},
	}
	if diff := cmp.Diff(want, rows); diff != "" {
		t.Error(diff)
	}
	for cell, kind := range map[string]excelize.CellType{"B2": excelize.CellTypeUnset, "D2": excelize.CellTypeBool, "A3": excelize.CellTypeInlineString} {
		if got, _ := book.GetCellType("Doses", cell); got != kind {
			t.Errorf("%s has type %v, want %v", cell, got, kind)
		}
		if formula, _ := book.GetCellFormula("Doses", cell); formula != "" {
			t.Errorf("%s is the formula %q", cell, formula)
		}
	}
	if rows, _ := book.GetRows("Empty"); len(rows) != 1 {
		t.Errorf("a sheet without rows has %d lines, want its head", len(rows))
	}
}

func TestWhatASpreadsheetCouldRunIsGuarded(t *testing.T) {
	for cell, want := range map[string]string{
		`=HYPERLINK("x")`: `'=HYPERLINK("x")`,
		"+1":              "'+1",
		"-2+3":            "'-2+3",
		"@SUM(A1)":        "'@SUM(A1)",
		"\t=1":            "'\t=1",
		"\r=1":            "'\n=1",
		"\n=1":            "'\n=1",
		"  =1":            "'  =1",
		"\u202f=1":        "'\u202f=1", // the narrow no-break space, and others of Unicode's separators and format characters
		"\u3000=1":        "'\u3000=1",
		"\u2007+1":        "'\u2007+1",
		"\u200b=1":        "'\u200b=1",
		"\u2060\u2028@x":  "'\u2060\u2028@x",
		"\u0085=1":        "'\u0085=1",
		"\ufe661":         "'\ufe661", // the small forms
		"\ufe63\ufe62":    "'\ufe63\ufe62",
		"\ufe6bx":         "'\ufe6bx",
		"\u202f1":         "\u202f1",
		"＝1":              "'＝1",
		"\x00=1":          "'=1",
		"4B":              "4B",
		"a=b":             "a=b",
		"":                "",
		"\xff":            "\uFFFD",
		"'=1":             "'=1",
	} {
		if got := Guard(cell); got != want {
			t.Errorf("Guard(%q) = %q, want %q", cell, got, want)
		}
	}
}

func TestEveryTextComesBackGuardedFromBoth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.String().Draw(t, "cell")
		s := Sheet{Name: "x", Head: []string{"id", "text"}, Rows: [][]any{{1, cell}}}
		var b bytes.Buffer
		if err := CSV(&b, s); err != nil {
			t.Fatal(err)
		}
		lines, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		if got, want := lines[1][1], Guard(cell); got != want {
			t.Fatalf("CSV holds %q, want %q", got, want)
		}
		if err := XLSX(&b, s); err != nil {
			t.Fatal(err)
		}
		book, err := excelize.OpenReader(&b)
		if err != nil {
			t.Fatal(err)
		}
		defer book.Close()
		got, err := book.GetCellValue("x", "B2")
		if err != nil {
			t.Fatal(err)
		}
		if want := Guard(cell); got != want {
			t.Fatalf("the sheet holds %q, want %q", got, want)
		}
	})
}

func TestWhatCannotBeWrittenIsSaid(t *testing.T) {
	head := []string{"a", "b"}
	for want, write := range map[string]func() error{
		"has 1 cells":         func() error { return CSV(&bytes.Buffer{}, Sheet{Name: "x", Head: head, Rows: [][]any{{1}}}) },
		"cannot hold a []int": func() error { return CSV(&bytes.Buffer{}, Sheet{Name: "x", Head: head, Rows: [][]any{{1, []int{}}}}) },
		"at least one sheet":  func() error { return XLSX(&bytes.Buffer{}) },
		"a name of its own":   func() error { return XLSX(&bytes.Buffer{}, Sheet{Name: "x", Head: head}, Sheet{Name: "x", Head: head}) },
		`sheet "a/b"`:         func() error { return XLSX(&bytes.Buffer{}, Sheet{Name: "a/b", Head: head}) },
	} {
		if err := write(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want one with %q", err, want)
		}
	}
}

// The rule: sheets with frozen header and filter; no -3.700000000000003 in either format.
// The opened workbook is the outside: what a spreadsheet finds in it.
func TestSheetsHaveAFilterAFrozenHeadAndNoFalsePrecision(t *testing.T) {
	s := table(t)
	drop := -3.700000000000003
	s.Rows[0][1] = &drop
	var book, text bytes.Buffer
	if err := errors.Join(XLSX(&book, s), CSV(&text, s)); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(text.String(), ",-3.7,") {
		t.Errorf("CSV has %q", text.String())
	}
	raw := book.Bytes()
	opened, err := excelize.OpenReader(&book)
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	if cell, err := opened.GetCellValue("Doses", "B2", excelize.Options{RawCellValue: true}); cell != "-3.7" || err != nil {
		t.Errorf("the sheet has %q, %v", cell, err)
	}
	if p, err := opened.GetPanes("Doses"); !p.Freeze || p.YSplit != 1 || err != nil {
		t.Errorf("the head is not frozen: %+v, %v", p, err)
	}
	files, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		t.Fatal(err)
	}
	sheet, err := fs.ReadFile(files, "xl/worksheets/sheet1.xml")
	if err != nil || !bytes.Contains(sheet, []byte(`<autoFilter ref="$A$1:$E$3"`)) {
		t.Errorf("there is no filter over the table: %v %s", err, sheet)
	}
}

// full is a disk with room for some bytes.
type full struct{ room int }

func (w *full) Write(p []byte) (int, error) {
	if len(p) > w.room {
		return 0, errors.New("no space left")
	}
	w.room -= len(p)
	return len(p), nil
}

// A file that could not be written whole is never called written, however far it came.
func TestADiskThatIsFullIsSaid(t *testing.T) {
	s := table(t)
	for range 400 { // more than is gathered before it is written
		s.Rows = append(s.Rows, s.Rows[0])
	}
	var whole bytes.Buffer
	if err := CSV(&whole, s); err != nil {
		t.Fatal(err)
	}
	for _, room := range []int{0, 3, whole.Len() / 2, whole.Len() - 1} {
		if err := CSV(&full{room}, s); err == nil || !strings.Contains(err.Error(), `CSV of "Doses"`) {
			t.Errorf("with room for %d of %d bytes: %v", room, whole.Len(), err)
		}
	}
	if err := XLSX(&full{100}, s); err == nil || !strings.Contains(err.Error(), "no space left") {
		t.Errorf("a workbook on a full disk: %v", err)
	}
}

// Every kind of cell is written the same by its value and behind a pointer.
func TestEveryKindOfCellIsWritten(t *testing.T) {
	text, yes, n, wide, at := "=x", true, 7, int64(1)<<40, time.Date(2026, 6, 1, 6, 30, 0, 0, time.UTC)
	share := 0.25
	s := Sheet{Name: "x", Head: []string{"a", "b", "c", "d", "e", "f"}, Rows: [][]any{
		{text, yes, n, wide, at, share}, {&text, &yes, &n, &wide, &at, &share},
		{(*string)(nil), (*bool)(nil), (*int)(nil), (*int64)(nil), (*time.Time)(nil), math.Inf(1)},
	}}
	var b bytes.Buffer
	if err := CSV(&b, s); err != nil {
		t.Fatal(err)
	}
	const row = "'=x,true,7,1099511627776,2026-06-01T06:30:00Z,0.25\r\n"
	if want := "\uFEFFa,b,c,d,e,f\r\n" + row + row + ",,,,,\r\n"; b.String() != want {
		t.Errorf("written is\n%s\nwant\n%s", b.String(), want)
	}
}

// Not more than anybody measured, and no dose rounded.
func TestNumbersWithoutFalsePrecision(t *testing.T) {
	for v, want := range map[float64]string{
		-3.700000000000003: "-3.7", 101.85185185185185: "101.852", 3.125: "3.125", 0.666666666667: "0.6667", 0.0571428571429: "0.05714",
		-1566.9: "-1566.9", 1234567: "1234567", 0: "0", 0.0000123456: "0.00001235", 12.771932: "12.772", 0.125: "0.125", 99.9999: "100",
	} {
		var out strings.Builder
		if err := CSV(&out, Sheet{Head: []string{"v"}, Rows: [][]any{{v}}}); err != nil {
			t.Fatal(err)
		}
		if got := strings.Fields(strings.TrimPrefix(out.String(), "\ufeff"))[1]; got != want {
			t.Errorf("%v stands as %s, want %s", v, got, want)
		}
	}
}
