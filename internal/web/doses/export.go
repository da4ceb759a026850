package doses

import (
	"bytes"
	"cmp"
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/export"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// The tables of the export.
const (
	tableStays   = "stays"
	tableFlags   = "flags"
	tableDrugs   = "drugs"
	tableGiven   = "given"
	tableChanges = "changes"
)

var exportTables = []string{tableStays, tableFlags, tableDrugs, tableGiven, tableChanges}

func exportName(table string) string {
	switch table {
	case tableFlags:
		return text.Say("dosereview.table-flags")
	case tableDrugs:
		return text.Say("dosereview.table-drugs")
	case tableGiven:
		return text.Say("dosereview.table-given")
	case tableChanges:
		return text.Say("dosereview.table-changes")
	}
	return text.Say("dosereview.table-stays")
}

// exportXLSX sends the queue as a workbook.
func (s *service) exportXLSX(c *frame.Request) (frame.Page, error) {
	q, err := s.exported(c)
	if err != nil {
		return nil, err
	}
	sheets := []export.Sheet{s.aboutSheet(c, q)}
	for _, table := range exportTables {
		sheets = append(sheets, s.exportSheet(c.Request.Context(), q, table))
	}
	var b bytes.Buffer
	if err := export.XLSX(&b, sheets...); err != nil {
		return nil, err
	}
	return s.attach(c, q, "", ".xlsx", export.XLSXType, b.Bytes())
}

// exportCSV sends one table of the queue.
func (s *service) exportCSV(c *frame.Request) (frame.Page, error) {
	table := c.DefaultQuery("table", tableStays)
	if !slices.Contains(exportTables, table) {
		return frame.NotFound()
	}
	q, err := s.exported(c)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := export.CSV(&b, s.exportSheet(c.Request.Context(), q, table)); err != nil {
		return nil, err
	}
	return s.attach(c, q, "-"+table, ".csv", export.CSVType, b.Bytes())
}

// exported is the queue that leaves the program: a view of every stay in it.
func (s *service) exported(c *frame.Request) (queue, error) {
	q, err := s.queueOf(c)
	if err != nil {
		return q, err
	}
	for _, e := range q.shown {
		entry := records.AuditEntry{
			Did: audit.Export, Unit: e.Digest.Stay.Unit, Stay: e.Digest.StayID, Outcome: frame.Allowed,
			Note: "dose review export",
		}
		if !q.when.Live {
			entry.AsOf = q.when.At
		}
		if err := s.Noted(c, entry); err != nil {
			return q, err
		}
	}
	return q, nil
}

func (s *service) attach(c *frame.Request, q queue, part, end, kind string, body []byte) (frame.Page, error) {
	name := "dose-review" + part + "-" + q.when.At.In(s.Zone).Format("2006-01-02-1504") + end
	return frame.Download(c, name, kind, body)
}

// heads are the names of columns, which the catalogue keeps in one text.
func heads(said string) []string { return strings.Split(said, "|") }

func (s *service) aboutSheet(c *frame.Request, q queue) export.Sheet {
	sheet := export.Sheet{
		Name: text.Say("dosereview.table-about"), Head: heads(text.Say("dosereview.head-about")), Zone: s.Zone,
	}
	rows := [][2]any{
		{text.Say("dosereview.about-at"), q.when.At},
		{text.Say("dosereview.about-zone"), s.Zone.String()},
		{text.Say("dosereview.about-unit"), cmp.Or(q.filter.Unit, strings.Join(q.units, ", "))},
		{text.Say("dosereview.about-drug"), cmp.Or(q.filter.Drug, text.Say("dosereview.any"))},
		{text.Say("dosereview.ask-flag"), cmp.Or(text.List(q.filter.said(flagParam)), text.Say("dosereview.any"))},
		{text.Say("dosereview.ask-group"), cmp.Or(text.List(q.filter.said(groupParam)), text.Say("dosereview.any"))},
		{text.Say("dosereview.about-dropped"), q.filter.Dropped},
		{text.Say("dosereview.unknown"), q.filter.Unknown},
		{text.Say("dosereview.about-policy"), s.PolicyOf(c).Hash},
		{text.Say("dosereview.about-caution"), text.Caution + " " + text.NoDoseAdvised},
	}
	for _, old := range s.OldLists(c.Request.Context(), q.asked, q.when) {
		rows = append(rows, [2]any{text.Say("frame.nav-unit", old.Unit), old.Says})
	}
	for _, r := range rows {
		sheet.Rows = append(sheet.Rows, r[:])
	}
	return sheet
}

func (s *service) exportSheet(ctx context.Context, q queue, table string) export.Sheet {
	sheet := export.Sheet{Name: exportName(table), Zone: s.Zone}
	t := s.Times(q.when.At, false)
	rows := func(queued) [][]any { return nil }
	switch table {
	case tableStays:
		sheet.Head = heads(text.Say("dosereview.head-stays"))
		rows = func(e queued) [][]any { return [][]any{s.stayCells(t, e)} }
	case tableFlags:
		sheet.Head = heads(text.Say("dosereview.head-flags"))
		rows = func(e queued) [][]any { return flagCells(t, e) }
	case tableDrugs:
		sheet.Head = heads(text.Say("dosereview.head-drugs"))
		rows = drugCells
	case tableGiven:
		sheet.Head = heads(text.Say("dosereview.head-given"))
		rows = givenCells
	case tableChanges:
		sheet.Head = heads(text.Say("dosereview.head-changes"))
		rows = func(e queued) [][]any { return s.changeCells(ctx, e) }
	}
	for _, e := range q.shown {
		sheet.Rows = append(sheet.Rows, rows(e)...)
	}
	return sheet
}

// whose are the cells that every table begins with.
func whose(e queued) []any {
	d := e.Digest
	return []any{d.Stay.Unit, missing(d.Stay.Bed), missing(d.Stay.PatientID), missing(d.Stay.Name), d.StayID}
}

// missing is an empty cell for what is not charted.
func missing(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func (s *service) stayCells(t frame.Times, e queued) []any {
	d := e.Digest
	row := append(whose(e), text.TierNames[e.Tier], placeName(e.Place))
	row = append(row, setCells(d, d.LatestSet())...)
	row = append(row, setCells(d, d.LatestPositive())...)
	row = append(
		row, e.Exposures.Load, e.Exposures.LoadFrom, missing(strings.Join(e.Exposures.LoadLeftOut, "; ")),
		missing(strings.Join(d.Unrecognised, "; ")),
	)
	row = append(row, balanceCells(e.Exposures.Net24)...)
	row = append(row, balanceCells(e.Exposures.Net48)...)
	if d.Weight != nil {
		row = append(row, math.Round(d.Weight.KG*10)/10)
	} else {
		row = append(row, nil)
	}
	if e.Last == nil {
		return append(row, nil, nil, nil, nil, nil)
	}
	return append(row, e.Last.At, e.Last.Who, text.ReviewOutcomes[e.Last.Outcome], missing(e.Last.Note), e.Last.LookAgain)
}

// setCells are start, finding, pressures of the baseline and of the upright reading
// that decides, and the drops of a set.
func setCells(d trends.Digest, set *trends.Set) []any {
	row := make([]any, 8)
	if set == nil {
		return row
	}
	row[0], row[1] = set.StartedAt, text.Findings[set.Finding]+text.HowBesideDrops(*set)
	if before := text.Overtaken(d, *set); before != "" {
		row[1] = text.Found(d, *set)
	}
	if b := set.Baseline; b != nil {
		row[2], row[3] = b.Systolic, b.Diastolic
	}
	if u := set.Decisive(); u != nil {
		row[4], row[5] = u.Systolic, u.Diastolic
	}
	row[6], row[7] = set.SystolicDrop, set.DiastolicDrop
	return row
}

// balanceCells are a net and whether enough is charted for a rule to use it.
func balanceCells(b trends.Balance) []any {
	if b.NetML == nil {
		return []any{nil, nil}
	}
	return []any{math.Round(*b.NetML), b.Usable}
}

func flagCells(t frame.Times, e queued) (rows [][]any) {
	for _, f := range e.Review.Flags {
		rows = append(rows, append(
			whose(e), f.Rule, t.FlagWith(f, e.Exposures.Contributors), strings.Join(f.Drugs, "; "), strings.Join(f.Facts, "; "),
		))
	}
	return rows
}

// drugCells are the active drugs of a stay; one with orders by several routes has a
// row for each.
func drugCells(e queued) (rows [][]any) {
	d := e.Digest
	set := d.LatestSet()
	for _, dose := range trends.DrugDosesAt(d, e.Exposures, e.At) {
		if !ofReview(dose.Substance) {
			continue
		}
		var last, before any
		for _, l := range d.LastDoses {
			if l.Drug == dose.Name {
				last = l.GivenAt
				if set != nil {
					before = hoursBetween(l.GivenAt, set.StartedAt)
				}
			}
		}
		orders := dose.Ordered
		if len(orders) == 0 {
			orders = []trends.Ordered{{}}
		}
		for _, o := range orders {
			rows = append(rows, append(whose(e), dose.Name, missing(dose.ATC), text.DrugClass(dose.Substance),
				missing(o.Route), o.DailyMG, o.OrderedDDDs(), dose.Doses, dose.MG, dose.DDDs, last, before))
		}
	}
	return rows
}

// givenCells are the last given doses of a stay (E-GIVEN), a row for each drug.
func givenCells(e queued) (rows [][]any) {
	for _, g := range e.Exposures.LastGiven {
		var hours any
		if g.GivenAt != nil {
			hours = hoursBetween(*g.GivenAt, e.At)
		}
		rows = append(rows, append(whose(e), g.Name, missing(g.ATC), text.GivenGroup(g), g.LineOnly, g.GivenAt, hours,
			g.Dose, missing(g.DoseUnit), missing(g.Route), g.Ordered, g.AsNeeded(), g.NotDoneSince))
	}
	return rows
}

// hoursBetween is told to a hundredth.
func hoursBetween(from, to time.Time) float64 {
	return math.Round(to.Sub(from).Hours()*100) / 100
}

func (s *service) changeCells(ctx context.Context, e queued) (rows [][]any) {
	d := e.Digest
	after := map[string]time.Time{}
	key := func(c trends.Change) string { return c.Drug + "|" + c.Change + "|" + c.Route + "|" + c.At.String() }
	for _, drop := range alerts.DropsAfter(d, s.reviewPolicy(ctx), func(trends.Change) bool { return true }) {
		after[key(drop.Change)] = drop.Set.StartedAt
	}
	for _, c := range d.Changes {
		row := append(whose(e), c.At, c.Drug, c.Change, missing(c.Route), c.From, c.To)
		shift := make([]any, 7)
		for _, a := range d.Serial.Around {
			if a.Drug == c.Drug && a.Change == c.Change && a.At.Equal(c.At) {
				shift = []any{a.SetsBefore, a.SetsAfter, a.Shift.Shift, a.Low, a.High, a.P, a.PSmallest}
			}
		}
		row = append(row, shift...)
		if at, ok := after[key(c)]; ok {
			row = append(row, at, hoursBetween(c.At, at))
		} else {
			row = append(row, nil, nil)
		}
		rows = append(rows, append(row, strings.Join(c.Orders, "; ")))
	}
	return rows
}
