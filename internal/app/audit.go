package app

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"strconv"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/export"
	"plumbline/internal/records"
	"plumbline/internal/store"
)

// recorder writes the audit behind the requests, those that come together in one
// transaction. A request waits for its own entry, but not for ever: while a large
// file is being loaded into the embedded database nothing else can be written, and
// a page must not wait for that. An entry that outlasts the wait is still written.
type recorder struct {
	store      auditStore
	log        *slog.Logger
	queue      chan recorded
	stop, done chan struct{}
}

type auditStore interface {
	AppendAudit(ctx context.Context, entries []records.AuditEntry, link func(prev []byte, e records.AuditEntry) []byte) error
}

// recorded is an entry on its way; kept is closed when it has been written.
type recorded struct {
	entry records.AuditEntry
	kept  chan struct{}
}

const (
	auditQueue = 4096            // entries that may wait
	auditBatch = 256             // entries of one transaction
	auditWait  = 2 * time.Second // for which a request waits
	auditRetry = time.Second     // between tries to write
)

func newRecorder(s auditStore, log *slog.Logger) *recorder {
	r := &recorder{store: s, log: log, queue: make(chan recorded, auditQueue), stop: make(chan struct{}), done: make(chan struct{})}
	go r.run()
	return r
}

// Record adds an entry to the audit. The error says that it can not be recorded:
// what was asked for must then not be shown.
func (r *recorder) Record(ctx context.Context, e records.AuditEntry) error {
	in := recorded{e, make(chan struct{})}
	select {
	case r.queue <- in:
	default:
		return clinical.Errorf(clinical.Unavailable, "the audit cannot be written: %d entries wait; see the log", auditQueue)
	}
	wait := time.NewTimer(auditWait)
	defer wait.Stop()
	select {
	case <-in.kept:
	case <-wait.C:
	case <-ctx.Done(): // the reader has left; the entry is written all the same
	}
	return nil
}

func (r *recorder) run() {
	defer close(r.done)
	for {
		select {
		case first := <-r.queue:
			r.write(r.more(first))
		case <-r.stop:
			for {
				select {
				case first := <-r.queue:
					r.write(r.more(first))
				default:
					return
				}
			}
		}
	}
}

// more takes what waits behind the first entry.
func (r *recorder) more(first recorded) []recorded {
	batch := []recorded{first}
	for len(batch) < auditBatch {
		select {
		case next := <-r.queue:
			batch = append(batch, next)
		default:
			return batch
		}
	}
	return batch
}

// write tries until the entries are written; when the program ends, once more.
func (r *recorder) write(batch []recorded) {
	rows := make([]records.AuditEntry, len(batch))
	for n, b := range batch {
		rows[n] = b.entry
	}
	for {
		err := r.store.AppendAudit(context.Background(), rows, audit.Link)
		if err == nil {
			break
		}
		r.log.Error("the audit could not be written; trying again", "entries", len(rows), "error", err)
		select {
		case <-r.stop:
			if err := r.store.AppendAudit(context.Background(), rows, audit.Link); err != nil {
				r.log.Error("entries of the audit are lost", "entries", len(rows), "error", err)
			}
			return
		case <-time.After(auditRetry):
		}
	}
	for _, b := range batch {
		close(b.kept)
	}
}

// close writes what waits, and ends.
func (r *recorder) close() {
	close(r.stop)
	<-r.done
}

// audited records a change that is made from the command line, and then makes it: what
// cannot be recorded is not done. One that failed is recorded as such.
func (s *site) audited(ctx context.Context, now time.Time, what, note string, change func() error) error {
	write := func(outcome string) error {
		e := records.AuditEntry{At: now, Who: records.CommandLine, Did: audit.Manage, What: what, Outcome: outcome, Note: note}
		return s.store.AppendAudit(ctx, []records.AuditEntry{e}, audit.Link)
	}
	if err := write("allowed"); err != nil {
		return fmt.Errorf("nothing was changed, for it could not be recorded: %w", err)
	}
	err := change()
	if err == nil {
		return nil
	}
	return errors.Join(err, write("failed"))
}

// auditCommand checks or writes out the audit.
func auditCommand(ctx context.Context, p process, args []string) error {
	var head, stay, unit, who, from, to, format string
	s, rest, err := p.parse("audit", args, func(fs *flag.FlagSet) {
		fs.StringVar(&head, "head", "", "")
		fs.StringVar(&stay, "stay", "", "")
		fs.StringVar(&unit, "unit", "", "")
		fs.StringVar(&who, "who", "", "")
		fs.StringVar(&from, "from", "", "")
		fs.StringVar(&to, "to", "", "")
		fs.StringVar(&format, "format", "json", "")
	})
	if err != nil {
		return err
	}
	if len(rest) != 1 || (rest[0] != "verify" && rest[0] != "export") {
		return usagef("audit takes verify or export")
	}
	if rest[0] == "verify" {
		return p.auditVerify(ctx, s, head)
	}
	if format != "json" && format != "csv" {
		return usagef("--format of audit export is json (one entry a line) or csv, not %q", format)
	}
	q := records.AuditQuery{Who: who, StayID: stay, Unit: unit}
	if from != "" {
		if q.From, err = dayOrMoment("--from", from, s.zone); err != nil {
			return err
		}
	}
	if to != "" {
		if q.To, err = dayOrMoment("--to", to, s.zone); err != nil {
			return err
		}
	}
	return p.auditExport(ctx, s, q, format)
}

func (p process) auditVerify(ctx context.Context, s settings, noted string) error {
	var witness *audit.Head
	if noted != "" {
		h, err := audit.ParseHead(noted)
		if err != nil {
			return usagef("--head %v", err)
		}
		witness = &h
	}
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	v, err := verifyAudit(ctx, site.store, witness)
	if err != nil {
		return fmt.Errorf("the audit does not hold: %w; keep the database as it is and find out who can write to it", err)
	}
	return p.say("commands.audit-holds", v.Head().N, v.Head())
}

func verifyAudit(ctx context.Context, st *store.Store, witness *audit.Head) (*audit.Verifier, error) {
	v := audit.NewVerifier(witness)
	n, hash, err := st.Audit(ctx, records.AuditQuery{}, v.Add)
	if err != nil {
		return v, err
	}
	return v, v.End(audit.Head{N: n, Hash: hash})
}

func (p process) auditExport(ctx context.Context, s settings, q records.AuditQuery, format string) error {
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	if format == "csv" {
		w := csv.NewWriter(p.stdout)
		_ = w.Write([]string{"n", "at", "who", "from", "did", "what", "unit", "stay", "as_of", "outcome", "note"})
		_, _, err := site.store.Audit(ctx, q, func(r records.AuditEntry) error { return w.Write(auditRecord(r)) })
		w.Flush()
		if err != nil {
			return err
		}
		return w.Error()
	}
	out := json.NewEncoder(p.stdout)
	out.SetEscapeHTML(false)
	_, _, err = site.store.Audit(ctx, q, func(r records.AuditEntry) error {
		return out.Encode(struct {
			records.AuditEntry
			AsOf *time.Time `json:"as_of"`
			Hash string     `json:"hash"`
		}{r, present(r.AsOf), fmt.Sprintf("%x", r.Hash)})
	})
	return err
}

func present(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// auditRecord writes an entry for a spreadsheet.
func auditRecord(e records.AuditEntry) []string {
	asOf := ""
	if !e.AsOf.IsZero() {
		asOf = e.AsOf.Format(time.RFC3339)
	}
	cells := []string{
		strconv.FormatInt(e.N, 10), e.At.Format(time.RFC3339Nano), e.Who, e.From, e.Did, e.What, e.Unit, e.Stay,
		asOf, e.Outcome, e.Note,
	}
	for n := range cells {
		cells[n] = export.Guard(cells[n])
	}
	return cells
}
