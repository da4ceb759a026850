package app

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// userFlags are the flags of the user commands.
type userFlags struct {
	name, format    string
	roles, units    words
	generate        bool
	subject, issuer string
}

// words is a flag that may be given several times, and with commas.
type words []string

func (w *words) String() string { return strings.Join(*w, ",") }

func (w *words) Set(s string) error {
	*w = append(*w, strings.Split(s, ",")...)
	return nil
}

const userUsage = "user takes add, list, disable, enable, password, link or unlink; " +
	"for instance `dashboard user add --name NAME --role falls-nurse --unit 4W`"

func userCommand(ctx context.Context, p process, args []string) error {
	var f userFlags
	s, rest, err := p.parse("user", args, func(fs *flag.FlagSet) {
		fs.StringVar(&f.name, "name", "", "")
		fs.StringVar(&f.format, "format", "table", "")
		fs.Var(&f.roles, "role", "")
		fs.Var(&f.units, "unit", "")
		fs.BoolVar(&f.generate, "generate", false, "")
		fs.StringVar(&f.subject, "subject", "", "")
		fs.StringVar(&f.issuer, "issuer", "", "")
	})
	if err != nil {
		return err
	}
	f.issuer = cmp.Or(f.issuer, s.signIn.Issuer)
	verb, err := f.verb(rest)
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
	return verb(users{p, site, p.newAccounts(site), f}, ctx)
}

// verbOf reads the words of a command: what to do, and a name where none was given as
// a flag; all but list need one.
func verbOf[T any](command, usage string, verbs map[string]T, rest []string, name *string) (verb string, do T, err error) {
	if len(rest) == 0 {
		return "", do, usagef("%s", usage)
	}
	verb = rest[0]
	do, known := verbs[verb]
	if !known {
		return "", do, usagef("%s", usage)
	}
	if len(rest) == 2 && *name == "" && verb != "list" {
		*name, rest = rest[1], rest[:1]
	}
	switch {
	case len(rest) > 1:
		return "", do, usagef("%s %s takes no argument %q", command, verb, rest[1])
	case verb != "list" && *name == "":
		return "", do, usagef("%s %s needs --name", command, verb)
	}
	return verb, do, nil
}

// verb reads what is to be done, and what it needs.
func (f *userFlags) verb(rest []string) (func(users, context.Context) error, error) {
	verb, do, err := verbOf("user", userUsage, map[string]func(users, context.Context) error{
		"add": users.add, "list": users.list, "disable": users.disable, "enable": users.enable, "password": users.password,
		"link": users.link, "unlink": users.unlink,
	}, rest, &f.name)
	switch {
	case err != nil:
		return nil, err
	case verb == "link" && (f.subject == "" || f.issuer == ""):
		return nil, usagef("user link needs --subject, which the audit names where somebody was not let in, " +
			"and the setting oidc-issuer or --issuer")
	case verb == "add" && len(f.roles) == 0:
		return nil, usagef("user add needs --role: one or more of bedside-nurse, falls-nurse, unit-manager, pharmacist, administrator, screen")
	}
	return do, nil
}

// users is one run of a user command.
type users struct {
	process
	site     *site
	accounts *auth.Service
	flags    userFlags
}

func (u users) audited(ctx context.Context, what, note string, change func() error) error {
	return u.site.audited(ctx, u.clock(), what, note, change)
}

func (u users) add(ctx context.Context) error {
	g, err := auth.ParseGrants(u.flags.roles, u.flags.units)
	if err == nil {
		err = auth.CheckName(u.flags.name)
	}
	if err != nil {
		return usagef("%v", err)
	}
	if err := u.noteUnknown(ctx, u.site, g.Units); err != nil {
		return err
	}
	password, made, err := u.newPassword()
	if err != nil {
		return err
	}
	if err := u.accounts.Rules.Check(password, u.flags.name); err != nil {
		return err
	}
	err = u.audited(ctx, "user add", u.flags.name+": "+g.Words(), func() error {
		_, err := u.accounts.Add(ctx, u.flags.name, password, g, false)
		return err
	})
	if err != nil {
		return err
	}
	return errors.Join(u.say("commands.user-added", u.flags.name), u.tell(password, made))
}

// noteUnknown names units that no feed has named yet: a slip of the pen, or a feed
// that has not come yet.
func (p process) noteUnknown(ctx context.Context, s *site, units []string) error {
	known, err := s.store.Units(ctx)
	if err != nil {
		return err
	}
	all := records.Account{Units: known}
	for _, unit := range units {
		if !all.OnUnit(unit) {
			p.warn("commands.unit-unseen", unit, orNone(strings.Join(known, ", ")))
		}
	}
	return nil
}

func (u users) tell(password string, made bool) error {
	if !made {
		return nil
	}
	return u.say("commands.password", password)
}

// change finds the account of the command, changes it under the audit, and says so.
// The audit notes the account's name, and note after it.
func (u users) change(
	ctx context.Context, what, note string, do func(records.Account) (records.Account, error),
	said func(records.Account) string,
) error {
	a, err := u.accounts.Named(ctx, u.flags.name)
	if err != nil {
		return err
	}
	err = u.audited(ctx, what, a.Name+note, func() error {
		_, err := do(a)
		return err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(u.stdout, said(a))
	return err
}

func (u users) disable(ctx context.Context) error {
	return u.change(ctx, "user disable", "",
		func(a records.Account) (records.Account, error) { return u.accounts.Disable(ctx, a.ID, true) },
		func(a records.Account) string { return text.Say("commands.user-disabled", a.Name) })
}

func (u users) enable(ctx context.Context) error {
	return u.change(ctx, "user enable", "",
		func(a records.Account) (records.Account, error) { return u.accounts.Enable(ctx, a.ID) },
		func(a records.Account) string { return text.Say("commands.user-enabled", a.Name) })
}

func (u users) password(ctx context.Context) error {
	a, err := u.accounts.Named(ctx, u.flags.name)
	if err != nil {
		return err
	}
	password, made, err := u.newPassword()
	if err != nil {
		return err
	}
	if err := u.accounts.Rules.Check(password, a.Name); err != nil {
		return err
	}
	err = u.audited(ctx, "user password", a.Name, func() error {
		_, err := u.accounts.SetPassword(ctx, a, password, false)
		return err
	})
	if err != nil {
		return err
	}
	return errors.Join(u.say("commands.user-password", a.Name), u.tell(password, made))
}

func (u users) link(ctx context.Context) error {
	id := records.Identity{Issuer: u.flags.issuer, Subject: u.flags.subject}
	person := " to subject " + id.Subject + " of " + id.Issuer
	return u.change(ctx, "user link", person,
		func(a records.Account) (records.Account, error) { return u.accounts.Link(ctx, a.ID, id) },
		func(a records.Account) string {
			return text.Say("commands.user-linked", a.Name, id.Subject, id.Issuer)
		})
}

func (u users) unlink(ctx context.Context) error {
	return u.change(ctx, "user unlink", "",
		func(a records.Account) (records.Account, error) { return u.accounts.Unlink(ctx, a.ID) },
		func(a records.Account) string {
			return text.Say("commands.user-unlinked", a.Name, a.Name)
		})
}

// listedAccount is an account in the JSON of user list.
type listedAccount struct {
	Name      string     `json:"name"`
	Roles     []string   `json:"roles"`
	Units     []string   `json:"units"` // ["*"] for all
	Disabled  bool       `json:"disabled"`
	CreatedAt time.Time  `json:"created_at"`
	Since     *time.Time `json:"disabled_at"`
	Issuer    string     `json:"issuer,omitempty"`  // of the sign-in service that it comes from
	Subject   string     `json:"subject,omitempty"` // who it is there
}

func (u users) list(ctx context.Context) error {
	all, err := u.accounts.Accounts(ctx)
	if err != nil {
		return err
	}
	lines := make([]listedAccount, 0, len(all))
	for _, a := range all {
		l := listedAccount{Name: a.Name, Roles: []string{}, Units: append([]string{}, a.Units...), Disabled: a.Disabled(), CreatedAt: a.CreatedAt,
			Issuer: a.Identity.Issuer, Subject: a.Identity.Subject}
		for _, r := range a.Roles {
			l.Roles = append(l.Roles, string(r))
		}
		if a.AllUnits {
			l.Units = []string{auth.AllUnits}
		}
		if a.Disabled() {
			l.Since = &a.DisabledAt
		}
		lines = append(lines, l)
	}
	if u.flags.format == "json" {
		return writeJSON(u.stdout, map[string]any{"accounts": lines})
	}
	if len(lines) == 0 {
		return u.say("commands.no-account")
	}
	w := tabwriter.NewWriter(u.stdout, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintln(w, strings.ReplaceAll(text.Say("commands.users-head"), " | ", "\t"))
	for _, l := range lines {
		state := text.Say("commands.active")
		if l.Disabled {
			state = text.Say("commands.disabled")
		}
		if l.Subject != "" {
			state = text.Say("commands.of-service", state)
		}
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", l.Name, orNone(strings.Join(l.Roles, ", ")), orNone(strings.Join(l.Units, ", ")), state)
	}
	return w.Flush()
}

// stdinPatience is how long a password may take to come from another program.
const stdinPatience = 10 * time.Second

// newPassword is the first line of standard input, or a new one where nothing is
// piped in.
func (u users) newPassword() (password string, made bool, err error) {
	if u.flags.generate || !piped(u.stdin) {
		return auth.NewPassword(), true, nil
	}
	type answer struct {
		line string
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		line, err := bufio.NewReader(io.LimitReader(u.stdin, 4<<10)).ReadString('\n')
		got <- answer{line, err}
	}()
	select {
	case a := <-got:
		line := strings.TrimRight(a.line, "\r\n")
		switch {
		case a.err != nil && !errors.Is(a.err, io.EOF):
			return "", false, fmt.Errorf("the password cannot be read from standard input: %w", a.err)
		case line == "":
			return auth.NewPassword(), true, nil
		}
		return line, false, nil
	case <-time.After(stdinPatience):
		return "", false, usagef("no password came on standard input; write it there in one line, or let one be made with --generate")
	}
}

// piped reports whether another program or a file speaks on standard input; a
// person at a terminal would have the password on the screen.
func piped(r io.Reader) bool {
	if r == nil {
		return false
	}
	f, isFile := r.(*os.File)
	if !isFile {
		return true
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice == 0
}
