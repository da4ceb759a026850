package app

import (
	"context"
	"flag"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// checks is what was said of the feeds of the site's units.
func (s *site) checks(clock clinical.Clock) *feedcheck.Book {
	return &feedcheck.Book{Store: s.store, Clock: clock}
}

// checkDemoUnits says that the feeds of the invented units were checked.
func (s *site) checkDemoUnits(ctx context.Context, clock clinical.Clock) error {
	for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
		if err := s.checks(clock).Say(ctx, unit, true, records.CommandLine); err != nil {
			return err
		}
	}
	return nil
}

// unitState is a unit in the JSON of the command commissioning.
type unitState struct {
	Unit          string     `json:"unit"`
	Commissioning bool       `json:"commissioning"`
	Who           string     `json:"who"`
	At            *time.Time `json:"at"`
}

const commissioningUsage = "commissioning takes list, checked or reopen; " +
	"for instance `dashboard commissioning checked --unit 4W`"

// commissioning lists which units are in commissioning, says that the feeds of one were
// checked, or takes that back.
func commissioning(ctx context.Context, p process, args []string) error {
	var unit, format string
	s, rest, err := p.parse("commissioning", args, func(fs *flag.FlagSet) {
		fs.StringVar(&unit, "unit", "", "")
		fs.StringVar(&format, "format", "table", "")
	})
	if err == nil {
		err = checkFormat(format)
	}
	switch {
	case err != nil:
		return err
	case len(rest) != 1 || rest[0] != "list" && rest[0] != "checked" && rest[0] != "reopen":
		return usagef("%s", commissioningUsage)
	case rest[0] != "list" && unit == "":
		return usagef("commissioning %s needs --unit", rest[0])
	}
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	if rest[0] == "list" {
		return p.listStates(ctx, site, format)
	}
	return p.sayChecked(ctx, site, unit, rest[0])
}

func (p process) sayChecked(ctx context.Context, s *site, unit, verb string) error {
	if err := p.noteUnknown(ctx, s, []string{unit}); err != nil {
		return err
	}
	err := s.audited(ctx, p.clock(), "commissioning "+verb, unit, func() error {
		return s.checks(p.clock).Say(ctx, unit, verb == "checked", records.CommandLine)
	})
	if err != nil {
		return err
	}
	if verb == "checked" {
		return p.say("commands.unit-checked", unit)
	}
	return p.say("commands.unit-reopened", unit)
}

func (p process) listStates(ctx context.Context, s *site, format string) error {
	states, err := s.checks(p.clock).States(ctx)
	if err != nil {
		return err
	}
	list, rows := []unitState{}, []string{}
	for _, u := range states {
		out := unitState{Unit: u.Unit, Commissioning: u.Commissioning}
		word, when := text.Say("commands.checked"), "-"
		if u.Commissioning {
			word = text.Say("commands.in-commissioning")
		}
		if u.Last != nil && u.Last.Who != "" {
			at := u.Last.At.UTC()
			out.Who, out.At, when = u.Last.Who, &at, at.In(s.settings.zone).Format("2006-01-02 15:04")
		}
		list = append(list, out)
		rows = append(rows, row(u.Unit, word, orNone(out.Who), when))
	}
	if format == "json" {
		return writeJSON(p.stdout, map[string]any{"units": list})
	}
	if len(rows) == 0 {
		return p.say("commands.no-unit")
	}
	return table(p.stdout, text.Say("commands.units-head"), rows)
}
