package web_test

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"

	"plumbline/internal/records"
	"plumbline/internal/web"
)

// work is what a request made the program do.
type work struct {
	mu         sync.Mutex
	statements []string
	noted      int
}

func (w *work) since(do func()) (statements []string, noted int) {
	w.mu.Lock()
	w.statements, w.noted = nil, 0
	w.mu.Unlock()
	do()
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.statements), w.noted
}

// What is on another unit and what is not there cost the same statements, the same
// records of the audit and a body of the same bytes, so that the time of the answer does
// not tell them apart.
func TestRefusedAndMissingCostTheSameWork(t *testing.T) {
	d, board := open(t)
	addFall(t, board, "S203")
	elsewhere := owed(t, d, "7E")[0].ID
	w := &work{}
	d.Note = func(context.Context, records.AuditEntry) error {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.noted++
		return nil
	}
	c := &crawl{auth: d.Accounts, tokens: d.Tokens, handler: web.New(d)}
	if err := board.Data.Watch(func(statement string) {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.statements = append(w.statements, statement)
	}); err != nil {
		t.Fatal(err)
	}
	asked := 0
	for _, role := range []records.Role{records.BedsideNurse, records.FallsNurse, records.UnitManager, records.Pharmacist} {
		_, cookies := c.account(t, role)
		for _, way := range ways {
			if !strings.Contains(way.path, ":stay") && !strings.Contains(way.path, ":fall") && !strings.Contains(way.path, ":episode") {
				continue
			}
			var bodies [2]string
			var statements [2][]string
			var noted [2]int
			for n, of := range []*strings.Replacer{
				strings.NewReplacer(":stay", "S203", ":fall", url.PathEscape(fallElsewhere), ":episode", elsewhere),
				strings.NewReplacer(":stay", "S000", ":fall", "F-S000-001", ":episode", strings.Repeat("0", 32)),
			} {
				target := of.Replace(way.path)
				statements[n], noted[n] = w.since(func() {
					got := c.request(way.method, target, way.form, cookies)
					if got.Code != http.StatusNotFound {
						t.Errorf("%s %s as %s = %d", way.method, target, role, got.Code)
					}
					bodies[n] = got.Body.String()
				})
			}
			asked += len(statements[0])
			if bodies[0] != bodies[1] || noted[0] != noted[1] || noted[0] == 0 || !slices.Equal(statements[0], statements[1]) {
				t.Errorf("%s %s as %s: bodies of %d and %d bytes, %d and %d records, statements\n%s\nand\n%s",
					way.method, way.path, role, len(bodies[0]), len(bodies[1]), noted[0], noted[1],
					strings.Join(statements[0], "\n"), strings.Join(statements[1], "\n"))
			}
		}
	}
	if asked < 100 {
		t.Errorf("only %d statements were counted", asked)
	}
}
