package app

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

func (p process) newTokens(s *site) *auth.Tokens {
	return &auth.Tokens{Store: s.store, Clock: p.clock, Steady: clinical.SteadyClock, Limits: &auth.Limits{}}
}

// newScreens enrols displays on walls.
func (p process) newScreens(s *site) *auth.Screens {
	return &auth.Screens{Store: s.store, Clock: p.clock, Steady: clinical.SteadyClock, Limits: &auth.Limits{}}
}

// tokenFlags are the flags of the token commands.
type tokenFlags struct {
	name, format, days string
	scopes, units      words
}

const tokenUsage = "token takes add, list or revoke; for instance `dashboard token add --name NAME --scope list:read --unit 4W`"

func tokenCommand(ctx context.Context, p process, args []string) error {
	var f tokenFlags
	s, rest, err := p.parse("token", args, func(fs *flag.FlagSet) {
		fs.StringVar(&f.name, "name", "", "")
		fs.StringVar(&f.format, "format", "table", "")
		fs.StringVar(&f.days, "days", strconv.Itoa(auth.DefaultTokenDays), "")
		fs.Var(&f.scopes, "scope", "")
		fs.Var(&f.units, "unit", "")
	})
	if err != nil {
		return err
	}
	verbs := map[string]func(tokens, context.Context) error{"add": tokens.add, "list": tokens.list, "revoke": tokens.revoke}
	_, do, err := verbOf("token", tokenUsage, verbs, rest, &f.name)
	if err != nil {
		return err
	}
	if err := checkFormat(f.format); err != nil {
		return err
	}
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	return do(tokens{p, site, p.newTokens(site), f}, ctx)
}

// tokens is one run of a token command.
type tokens struct {
	process
	site   *site
	tokens *auth.Tokens
	flags  tokenFlags
}

func (t tokens) add(ctx context.Context) error {
	now := t.clock()
	expires, err := auth.TokenEnd(t.flags.days, now)
	if err != nil {
		return usagef("--days: %v", err)
	}
	wanted := auth.ParseAPIToken(t.flags.name, t.flags.scopes, t.flags.units, expires)
	if err := auth.CheckAPIToken(wanted, now); err != nil {
		return usagef("%v", err)
	}
	if err := t.tokens.Check(ctx, wanted); err != nil { // the name may be taken
		return err
	}
	if err := t.noteUnknown(ctx, t.site, wanted.Units); err != nil {
		return err
	}
	var secret string
	err = t.site.audited(ctx, now, "token add", wanted.Words(), func() (err error) {
		secret, _, err = t.tokens.Make(ctx, wanted, records.CommandLine)
		return err
	})
	if err != nil {
		return err
	}
	until := expires.In(t.site.settings.zone).Format(time.RFC3339)
	return t.say("commands.token-made", wanted.Name, until, secret)
}

func (t tokens) revoke(ctx context.Context) error {
	held, err := t.tokens.Named(ctx, t.flags.name)
	if err != nil {
		return err
	}
	err = t.site.audited(ctx, t.clock(), "token revoke", held.Who(), func() error { return t.tokens.Revoke(ctx, held.ID) })
	if err != nil {
		return err
	}
	return t.say("commands.token-revoked", held.Name)
}

// listedToken is a token in the JSON of token list.
type listedToken struct {
	Name      string          `json:"name"`
	Scopes    []records.Scope `json:"scopes"`
	Units     []string        `json:"units"` // ["*"] for all
	MadeBy    string          `json:"made_by"`
	MadeAt    time.Time       `json:"made_at"`
	ExpiresAt time.Time       `json:"expires_at"`
	UsedAt    *time.Time      `json:"last_used_hour"` // null: never
	RevokedAt *time.Time      `json:"revoked_at"`
	State     string          `json:"state"` // holds, expired, revoked
}

func (t tokens) listed(k records.APIToken) listedToken {
	l := listedToken{
		Name: k.Name, Scopes: append([]records.Scope{}, k.Scopes...), Units: append([]string{}, k.Units...), MadeBy: k.MadeBy, MadeAt: k.MadeAt,
		ExpiresAt: k.ExpiresAt, UsedAt: present(k.UsedAt), RevokedAt: present(k.RevokedAt), State: "expired",
	}
	if k.AllUnits {
		l.Units = []string{auth.AllUnits}
	}
	switch {
	case !k.RevokedAt.IsZero():
		l.State = "revoked"
	case k.Holds(t.clock()):
		l.State = "holds"
	}
	return l
}

func (t tokens) list(ctx context.Context) error {
	all, err := t.tokens.List(ctx)
	if err != nil {
		return err
	}
	lines := make([]listedToken, 0, len(all))
	for _, k := range all {
		lines = append(lines, t.listed(k))
	}
	if t.flags.format == "json" {
		return writeJSON(t.stdout, map[string]any{"tokens": lines})
	}
	if len(lines) == 0 {
		return t.say("commands.no-token")
	}
	day := func(at time.Time) string { return at.In(t.site.settings.zone).Format("2006-01-02 15:04") }
	w := tabwriter.NewWriter(t.stdout, 0, 0, 2, ' ', 0)
	_, err = fmt.Fprintln(w, strings.ReplaceAll(text.Say("commands.tokens-head"), " | ", "\t"))
	for n, l := range lines {
		used := text.Say("commands.never")
		if l.UsedAt != nil {
			used = day(*l.UsedAt)
		}
		_, e := fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", l.Name, all[n].ScopeWords(), orNone(strings.Join(l.Units, ", ")), l.MadeBy,
			day(l.MadeAt), day(l.ExpiresAt), used, l.State)
		err = errors.Join(err, e)
	}
	return errors.Join(err, w.Flush())
}
