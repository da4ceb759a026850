package pagetest

import (
	"bytes"
	"compress/zlib"
	"io"
	"math"
	"regexp"
	"strconv"
	"testing"
)

// paper is a page as it was printed.
type paper struct {
	pages    int
	smallest float64 // letters, in points; 0 without any
	texts    int     // pieces of text that were read
}

// leastLetters is the least size of letters on paper, in points.
const leastLetters = 7.0

var (
	pdfStream = regexp.MustCompile(`(?s)/Filter /FlateDecode[^>]*>>\s*stream\r?\n`)
	pdfToken  = regexp.MustCompile(`\((?:\\.|[^\\)])*\)|<[0-9A-Fa-f\s]*>|/?[^\s\[\]()<>]+|[\[\]]`)
)

// readPaper reads how many pages a print has and how large its letters are. It follows what
// the browser's printer writes: matrices (cm, Tm), fonts (Tf) and texts (Tj, TJ) in streams.
func readPaper(t *testing.T, pdf []byte) paper {
	t.Helper()
	p := paper{pages: bytes.Count(pdf, []byte("/Type /Page\n"))}
	for _, at := range pdfStream.FindAllIndex(pdf, -1) {
		z, err := zlib.NewReader(bytes.NewReader(pdf[at[1]:]))
		if err != nil {
			continue
		}
		body, err := io.ReadAll(z)
		if err == nil && bytes.Contains(body, []byte(" Tf")) {
			p.letters(string(body))
		}
	}
	if p.texts == 0 {
		t.Fatal("no text could be read in the print")
	}
	return p
}

// letters takes up the sizes of the letters of a stream.
func (p *paper) letters(body string) {
	now := struct{ scale, text, font float64 }{1, 1, 0}
	stack := []struct{ scale, text, font float64 }{}
	var args []float64
	for _, token := range pdfToken.FindAllString(body, -1) {
		if v, err := strconv.ParseFloat(token, 64); err == nil {
			args = append(args, v)
			continue
		}
		n := len(args)
		switch token {
		case "q":
			stack = append(stack, now)
		case "Q":
			if len(stack) > 0 {
				now, stack = stack[len(stack)-1], stack[:len(stack)-1]
			}
		case "cm":
			if n >= 6 {
				now.scale *= math.Hypot(args[n-4], args[n-3])
			}
		case "BT":
			now.text = 1
		case "Tm":
			if n >= 6 {
				now.text = math.Hypot(args[n-4], args[n-3])
			}
		case "Tf":
			if n > 0 {
				now.font = args[n-1]
			}
		case "Tj", "TJ":
			size := now.font * now.text * now.scale
			if p.texts++; p.smallest == 0 || size < p.smallest {
				p.smallest = size
			}
		case "]", "[":
			continue
		}
		if token[0] != '(' && token[0] != '<' && token[0] != '/' {
			args = args[:0]
		}
	}
}

// legible holds a print to so many pages at most, and to letters that can be read.
func legible(t *testing.T, name string, pdf []byte, most int) paper {
	t.Helper()
	p := readPaper(t, pdf)
	if p.pages < 1 || p.pages > most {
		t.Errorf("%s prints on %d pages, want %d at most", name, p.pages, most)
	}
	if p.smallest < leastLetters-0.01 {
		t.Errorf("%s has letters of %.2f points, want %.0f at least", name, p.smallest, leastLetters)
	}
	return p
}
