package app

import (
	"context"
	"flag"
	"fmt"
	"time"
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

// listCodes lists the drugs that the feeds of the last 90 days name and that neither a
// code, a name nor the site's table tells.
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
	list, rows := []unknownDrug{}, []string{}
	for _, d := range seen {
		list = append(list, unknownDrug{d.Text, d.ATC, d.RxNorm, d.Facts, d.Stays, d.Newest})
		rows = append(rows, row(fmt.Sprint(d.Facts), fmt.Sprint(d.Stays), d.Newest.In(s.zone).Format("2006-01-02 15:04"), d.Text))
	}
	if format == "json" {
		return writeJSON(p.stdout, map[string]any{"unknown_drugs": list})
	}
	if len(rows) == 0 {
		_, err := fmt.Fprintln(p.stdout, "Every drug of the last 90 days is known.")
		return err
	}
	return table(p.stdout, "orders and doses | stays | last | text as charted", rows)
}
