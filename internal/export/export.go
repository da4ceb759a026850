// Package export writes tables as CSV and as a spreadsheet (Office Open XML).
//
// A table leaves the program and is opened by another one that may run what a cell
// says. So text that a spreadsheet could take for a formula is guarded, in both
// formats: what is harmless in one is often saved again as the other.
package export

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
)

// MIME types of what CSV and XLSX write.
const (
	CSVType  = "text/csv; charset=utf-8; header=present"
	XLSXType = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
)

// Sheet is one table. A cell is a string, a bool, a whole or floating number, a
// time.Time, a pointer to one of them, or nil; nil, a nil pointer, a number that is
// not finite and a zero time are empty cells: missing stays missing.
type Sheet struct {
	Name string // of the sheet in XLSX: 1 to 31 characters, none of []:*?/\
	Head []string
	Rows [][]any
	Zone *time.Location // of the site, for times; nil: as each time came
}

// byteOrderMark tells spreadsheets that read CSV in the code page of their country that it
// is UTF-8.
const byteOrderMark = "\uFEFF"

// CSV writes a table with its head by RFC 4180, in UTF-8 with a byte order mark. Numbers have a decimal
// point and no grouping; times are RFC 3339.
func CSV(w io.Writer, s Sheet) error {
	if _, err := io.WriteString(w, byteOrderMark); err != nil {
		return fmt.Errorf("CSV of %q: %w", s.Name, err)
	}
	out := csv.NewWriter(w)
	out.UseCRLF = true
	head := make([]string, len(s.Head))
	for n, name := range s.Head {
		head[n] = Guard(name)
	}
	if err := out.Write(head); err != nil {
		return fmt.Errorf("CSV of %q: %w", s.Name, err)
	}
	for n, row := range s.Rows {
		cells, err := s.cells(n, row)
		if err != nil {
			return err
		}
		line := make([]string, len(cells))
		for k, cell := range cells {
			line[k] = written(cell)
		}
		if err := out.Write(line); err != nil {
			return fmt.Errorf("CSV of %q, row %d: %w", s.Name, n+1, err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("CSV of %q: %w", s.Name, err)
	}
	return nil
}

// Widths of columns in characters, by what stands in them.
const (
	narrowest, widest = 8, 60
	padding           = 2
)

// XLSX writes tables as the sheets of one workbook, in this order. Numbers stay
// numbers; a time is text in RFC 3339, because a spreadsheet's own times have no zone.
func XLSX(w io.Writer, sheets ...Sheet) (err error) {
	if len(sheets) == 0 {
		return errors.New("a workbook needs at least one sheet: pass one, even if it has no rows")
	}
	book := excelize.NewFile()
	defer func() { err = errors.Join(err, book.Close()) }()
	bold, err := book.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}})
	if err != nil {
		return fmt.Errorf("workbook: %w", err)
	}
	for n, s := range sheets {
		if n == 0 {
			err = book.SetSheetName(book.GetSheetName(0), s.Name)
		} else if at, _ := book.GetSheetIndex(s.Name); at >= 0 {
			err = errors.New("this name is taken: give each sheet a name of its own")
		} else {
			_, err = book.NewSheet(s.Name)
		}
		if err == nil {
			err = s.fill(book, bold)
		}
		if err != nil {
			return fmt.Errorf("sheet %q: %w", s.Name, err)
		}
	}
	if err := book.Write(w); err != nil {
		return fmt.Errorf("workbook: %w", err)
	}
	return nil
}

// fill streams a table into its sheet: a head that stays in view, the rows, and a filter.
func (s Sheet) fill(book *excelize.File, bold int) error {
	if err := s.filter(book); err != nil {
		return err
	}
	stream, err := book.NewStreamWriter(s.Name)
	if err != nil {
		return err
	}
	rows := make([][]any, len(s.Rows))
	widths := make([]int, len(s.Head))
	for n, name := range s.Head {
		widths[n] = utf8.RuneCountInString(name)
	}
	for n, row := range s.Rows {
		if rows[n], err = s.cells(n, row); err != nil {
			return err
		}
		for k, cell := range rows[n] {
			widths[k] = max(widths[k], utf8.RuneCountInString(written(cell)))
		}
	}
	for n, width := range widths {
		if err := stream.SetColWidth(n+1, n+1, float64(min(max(width+padding, narrowest), widest))); err != nil {
			return err
		}
	}
	if err := stream.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	head := make([]any, len(s.Head))
	for n, name := range s.Head {
		head[n] = excelize.Cell{StyleID: bold, Value: Guard(name)}
	}
	if err := stream.SetRow("A1", head); err != nil {
		return err
	}
	for n, row := range rows {
		if err := stream.SetRow("A"+strconv.Itoa(n+2), row); err != nil {
			return err
		}
	}
	return stream.Flush()
}

// filter puts a filter on the table; the stream takes it over from the sheet.
func (s Sheet) filter(book *excelize.File) error {
	if len(s.Head) == 0 {
		return nil
	}
	end, err := excelize.CoordinatesToCellName(len(s.Head), len(s.Rows)+1)
	if err != nil {
		return err
	}
	return book.AutoFilter(s.Name, "A1:"+end, nil)
}

// cells makes each cell of a row a string, a bool, an int64, a float64 or nil.
func (s Sheet) cells(n int, row []any) ([]any, error) {
	if len(row) != len(s.Head) {
		return nil, fmt.Errorf("row %d of %q has %d cells, its head %d: give every column a cell, "+
			"nil where nothing is known", n+1, s.Name, len(row), len(s.Head))
	}
	out := make([]any, len(row))
	for k, value := range row {
		cell, err := s.cell(value)
		if err != nil {
			return nil, fmt.Errorf("row %d of %q, %s: %w", n+1, s.Name, s.Head[k], err)
		}
		out[k] = cell
	}
	return out, nil
}

func (s Sheet) cell(value any) (any, error) {
	switch v := value.(type) {
	case nil:
		return nil, nil
	case string:
		return Guard(v), nil
	case *string:
		return behind(s, v)
	case bool:
		return v, nil
	case *bool:
		return behind(s, v)
	case int:
		return int64(v), nil
	case *int:
		return behind(s, v)
	case int64:
		return v, nil
	case *int64:
		return behind(s, v)
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, nil
		}
		return shown(v), nil
	case *float64:
		return behind(s, v)
	case time.Time:
		if v.IsZero() {
			return nil, nil
		}
		if s.Zone != nil {
			v = v.In(s.Zone)
		}
		return v.Format(time.RFC3339), nil
	case *time.Time:
		return behind(s, v)
	}
	return nil, fmt.Errorf("a cell cannot hold a %T: pass text, a number, a bool, a time or nil", value)
}

// What counts of a number: three decimals, with which no dose that is sold is rounded (3.125 mg); of one below 1
// four figures. Beyond stands only what nobody measured, and what a computer's fractions leave over, such as
// -3.700000000000003.
const (
	decimalsShown = 3
	figuresShown  = 4
)

func shown(v float64) float64 {
	form, places := byte('f'), decimalsShown
	if math.Abs(v) < 1 {
		form, places = 'g', figuresShown
	}
	out, err := strconv.ParseFloat(strconv.FormatFloat(v, form, places, 64), 64)
	if err != nil {
		return v
	}
	return out
}

func behind[T any](s Sheet, p *T) (any, error) {
	if p == nil {
		return nil, nil
	}
	return s.cell(*p)
}

// written is a cell as text, as CSV has it.
func written(cell any) string {
	switch v := cell.(type) {
	case string:
		return v
	case bool:
		return strconv.FormatBool(v)
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	return ""
}

// Guard puts an apostrophe before text that a spreadsheet could run: text whose
// first character is one of = + - @, a tab or a line break, also after blanks of any kind
// or characters that cannot be seen, and in its full-width or small form. (The list and the remedy are the common advice on formula
// injection in CSV; from memory.) Each line break becomes one line feed, invalid UTF-8
// U+FFFD, and control characters that no XML can hold are left out.
func Guard(cell string) string {
	cell = lineBreaks.Replace(cell)
	cell = strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' || r == '\uFFFE' || r == '\uFFFF' {
			return -1
		}
		return r
	}, strings.ToValidUTF8(cell, "\uFFFD"))
	first, _ := utf8.DecodeRuneInString(strings.TrimLeftFunc(cell, unseen))
	if strings.ContainsRune("=+-@\t\n＝＋－＠﹦﹢﹣﹫", first) {
		return "'" + cell
	}
	return cell
}

// unseen is a blank of any kind, or a character that takes no room; not a tab or a line break, which are guarded
// themselves.
func unseen(r rune) bool {
	return r != '\t' && r != '\n' && (unicode.IsSpace(r) || unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Zs, r))
}

var lineBreaks = strings.NewReplacer("\r\n", "\n", "\r", "\n")
