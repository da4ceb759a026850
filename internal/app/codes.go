package app

import (
	"context"
	"flag"
	"fmt"
	"io"
	"strconv"
	"time"

	"plumbline/internal/text"
)

// unknownDrug is a drug that nothing tells, in the JSON of the command codes.
type unknownDrug struct {
	Text   string    `json:"text"`
	ATC    string    `json:"atc"`
	RxNorm string    `json:"rxnorm"`
	Facts  int       `json:"facts"`
	Stays  int       `json:"stays"`
	Newest time.Time `json:"newest"`
}

// unknownCode is a code of the feeds that nothing tells, in the JSON of the command codes.
type unknownCode struct {
	Feed   string    `json:"feed"`
	Kind   string    `json:"kind"`
	System string    `json:"system"`
	Code   string    `json:"code"`
	Text   string    `json:"text"`
	Times  int       `json:"times"`
	Newest time.Time `json:"newest"`
}

// listCodes lists the drugs that the feeds of the last 90 days name and that neither a
// code, a name nor the site's table tells, and every other code of which nobody knows what it means.
func listCodes(ctx context.Context, p process, args []string) error {
	format := "table"
	s, rest, err := p.parse("codes", args, func(fs *flag.FlagSet) { fs.StringVar(&format, "format", "table", "") })
	switch {
	case err != nil:
		return err
	case len(rest) > 0:
		return usagef("codes takes no argument %q", rest[0])
	}
	if err := checkFormat(format); err != nil {
		return err
	}
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	seen, err := site.codes.Unknown(ctx)
	if err != nil {
		return err
	}
	named, err := site.codes.Seen(ctx)
	if err != nil {
		return err
	}
	others, codeRows := []unknownCode{}, []string{}
	for _, c := range named {
		others = append(others, unknownCode{c.Feed, string(c.Kind), c.System, c.Code, c.Text, c.Rows, c.Newest})
		last := c.Newest.In(s.zone).Format("2006-01-02 15:04")
		codeRows = append(codeRows, row(strconv.Itoa(c.Rows), c.Feed, string(c.Kind), c.System, c.Code, c.Text, last))
	}
	list, rows := []unknownDrug{}, []string{}
	for _, d := range seen {
		list = append(list, unknownDrug{d.Text, d.ATC, d.RxNorm, d.Facts, d.Stays, d.Newest})
		rows = append(rows, row(fmt.Sprint(d.Facts), fmt.Sprint(d.Stays), d.Newest.In(s.zone).Format("2006-01-02 15:04"), d.Text))
	}
	if format == "json" {
		return writeJSON(p.stdout, map[string]any{"unknown_drugs": list, "unknown_codes": others})
	}
	if err := tableOr(p.stdout, text.Say("commands.drugs-head"), rows, text.Say("commands.drugs-none")); err != nil {
		return err
	}
	_, _ = fmt.Fprintln(p.stdout)
	return tableOr(p.stdout, text.Say("commands.codes-head"), codeRows, text.Say("commands.codes-none"))
}

// tableOr writes a table, or a sentence where it has no row.
func tableOr(w io.Writer, head string, rows []string, none string) error {
	if len(rows) == 0 {
		_, err := fmt.Fprintln(w, none)
		return err
	}
	return table(w, head, rows)
}
