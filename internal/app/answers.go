package app

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/report"
	"plumbline/internal/text"
)

// question is what an answering command was asked.
type question struct {
	site   *site
	id     string // unit or stay
	at     time.Time
	format string
}

// ask reads the flags of an answering command and opens the store.
func (p process) ask(ctx context.Context, name, idFlag string, args []string) (question, error) {
	var q question
	var asOf string
	s, rest, err := p.parse(name, args, func(fs *flag.FlagSet) {
		fs.StringVar(&q.id, idFlag, "", "")
		fs.StringVar(&asOf, "as-of", "", "")
		fs.StringVar(&q.format, "format", "table", "")
	})
	switch {
	case err != nil:
		return q, err
	case q.id == "":
		return q, usagef("%s needs --%s", name, idFlag)
	case len(rest) > 0:
		return q, usagef("%s takes no argument %q", name, rest[0])
	}
	if err := checkFormat(q.format); err != nil {
		return q, err
	}
	if q.at, err = parseMoment(asOf, s.zone, p.clock()); err != nil {
		return q, err
	}
	q.site, err = p.open(ctx, s)
	return q, err
}

func checkFormat(format string) error {
	if format != "json" && format != "table" {
		return usagef("--format is json or table, not %q", format)
	}
	return nil
}

func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(v)
}

// say writes a line of the catalogue to stdout.
func (p process) say(key string, args ...any) error {
	_, err := fmt.Fprintln(p.stdout, text.Say(key, args...))
	return err
}

// warn writes a line of the catalogue to stderr, under the program's name.
func (p process) warn(key string, args ...any) {
	_, _ = fmt.Fprintln(p.stderr, "dashboard:", text.Say(key, args...))
}

// table writes rows under a header, columns aligned.
func table(w io.Writer, header string, rows []string) error {
	t := tabwriter.NewWriter(w, 0, 4, 2, ' ', 0)
	_, _ = fmt.Fprintln(t, strings.ReplaceAll(header, " | ", "\t"))
	for _, r := range rows {
		_, _ = fmt.Fprintln(t, r)
	}
	return t.Flush()
}

func row(cells ...string) string {
	for n, c := range cells {
		cells[n] = strings.Join(strings.Fields(c), " ")
	}
	return strings.Join(cells, "\t")
}

func assessUnit(ctx context.Context, p process, args []string) error {
	q, err := p.ask(ctx, "assess", "unit", args)
	if err != nil {
		return err
	}
	defer q.site.close()
	inForce := q.site.service.Policy.Current()
	list, err := q.site.service.List(policy.Pin(ctx, inForce), q.id, q.at)
	if err != nil {
		return err
	}
	c := q.site.service.Catalogue(q.at)
	doc := report.ListOf(q.id, inForce.Hash, inForce.Policy.Unit, list, c)
	if q.format == "json" {
		return writeJSON(p.stdout, doc)
	}
	var rows []string
	for _, pt := range doc.Patients {
		why := ""
		if len(pt.Reasons) > 0 {
			why = pt.Reasons[0].Text + " [" + pt.Reasons[0].Rule + "]"
		}
		recheck := pt.Recheck.State
		if pt.Recheck.DueAt != nil {
			recheck += " " + c.Time(*pt.Recheck.DueAt) + " [" + string(pt.Recheck.Rule) + "]"
		}
		rows = append(rows, row(fmt.Sprint(pt.Rank), pt.Bed, pt.StayID, pt.Name, text.TierNames[pt.Tier], recheck, why))
	}
	if err := table(p.stdout, text.Say("commands.list-head"), rows); err != nil {
		return err
	}
	at := q.at.In(q.site.settings.zone).Format("2006-01-02 15:04")
	return p.say("commands.list-end", len(rows), q.id, at, q.site.settings.zone, text.Caution)
}

// askChart asks for what was known of a stay.
func (p process) askChart(ctx context.Context, name string, args []string) (question, clinical.Chart, error) {
	q, err := p.ask(ctx, name, "stay", args)
	if err != nil {
		return q, clinical.Chart{}, err
	}
	chart, err := q.site.service.Chart(ctx, q.id, q.at)
	if err != nil {
		q.site.close()
	}
	return q, chart, err
}

func listSets(ctx context.Context, p process, args []string) error {
	q, chart, err := p.askChart(ctx, "sets", args)
	if err != nil {
		return err
	}
	defer q.site.close()
	if chart.Stay == nil {
		return clinical.Errorf(clinical.NotFound, "stay %q has not been seen; %d facts wait for it", q.id, len(chart.Records))
	}
	doc := report.SetsOf(q.id, q.site.service.Digest(chart).Sets)
	if q.format == "json" {
		return writeJSON(p.stdout, doc)
	}
	c := q.site.service.Catalogue(q.at)
	var rows []string
	for _, s := range doc.Sets {
		rows = append(rows, row(c.Time(s.StartedAt), s.Kind, s.Finding, orDash(s.SystolicDrop), orDash(s.DiastolicDrop),
			orDash(s.PulseRise), strings.Join(s.Criteria, ", "), s.Quality, strings.Join(s.QualityNotes, ", ")))
	}
	return table(p.stdout, text.Say("commands.sets-head"), rows)
}

func orDash(v *float64) string {
	if v == nil {
		return "-"
	}
	return text.Figure(*v)
}

func listFacts(ctx context.Context, p process, args []string) error {
	q, chart, err := p.askChart(ctx, "facts", args)
	if err != nil {
		return err
	}
	defer q.site.close()
	doc := report.FactsOf(chart, q.site.service.Policy.Current().Policy.Plausible)
	if q.format == "json" {
		return writeJSON(p.stdout, doc)
	}
	c := q.site.service.Catalogue(q.at)
	var rows []string
	for _, f := range doc.Facts {
		at := "-"
		if f.At != nil {
			at = c.Time(*f.At)
		}
		values, err := json.Marshal(f.Values)
		if err != nil {
			return err
		}
		used := "used"
		if !f.Used {
			used = "not used"
		}
		rows = append(rows, row(at, string(f.Kind), f.SourceID, string(f.Status), used, f.WhyNot, string(values)))
	}
	return table(p.stdout, text.Say("commands.facts-head"), rows)
}
