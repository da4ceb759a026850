// Package app wires the program together: settings, store, readers, core and
// pages meet here and nowhere else.
package app

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // a hospital's machine may have no zone files

	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/codebook"
	"plumbline/internal/episodes"
	"plumbline/internal/feedcheck"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/store"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// Version and Commit are set when the program is built.
var (
	Version = "dev"
	Commit  = "unknown"
)

// process is one run of the program and what it may touch.
type process struct {
	env            func(string) string
	stdin          io.Reader // nil: nothing is said
	stdout, stderr io.Writer
	clock          clinical.Clock
}

// command is one thing that the program can do.
type command struct {
	name, args, help string
	run              func(ctx context.Context, p process, args []string) error
}

// commands in the order in which help lists them; a function, since help needs them.
func commands() []command {
	return []command{
		{"serve", "", "migrate the database, read the feed folder by the schedule, serve the pages", serve},
		{"demo", "", "the same with an invented unit on a fresh embedded database", demoUnit},
		{"load", "PATH... [--dry-run]", "read feed files or folders once and say what became of every row, or would", load},
		{"assess", "--unit U [--as-of T]", "the ranked list of a unit as it was known at a moment", assessUnit},
		{"sets", "--stay S [--as-of T]", "every orthostatic set of a stay with its finding and quality", listSets},
		{"facts", "--stay S [--as-of T]", "the facts of a stay as known at a moment", listFacts},
		{"unit", "--unit U --from T --to T [--by month|week]", "falls, sets, rechecks and their control charts over time", unitOverTime},
		{
			"quarantine", "list|retry",
			"rows held back, with the reason; list [--text T] [--reason R] [--source S] [--kind K] [--from T] [--to T]; retry reads them again",
			quarantine,
		},
		{
			"outbox", "list|retry [NUMBER]",
			"what was taken here and the record has not taken, with the reason; retry sends what was refused again", outboxCommand,
		},
		{
			"user", "add|list|disable|enable|password|link|unlink",
			"accounts, roles and units; add --name N --role R[,R] --unit U[,U]", userCommand,
		},
		{"token", "add|list|revoke", "API tokens of machines; add --name N --scope S[,S] --unit U[,U] [--days D]", tokenCommand},
		{"audit", "verify [--head N:HASH] | export", "check the record of who saw or changed what, or write it out", auditCommand},
		{"policy", "print|check FILE", "the policy in force, or what is wrong in a file and what it changes", policyCommand},
		{"codes", "", "codes and drugs of the feeds that nothing tells, and how often; a page says what they are", listCodes},
		{"commissioning", "list|checked|reopen", "units whose feeds nobody has checked, and to say that those of --unit U were", commissioning},
		{"version", "", "version, commit, Go and database drivers", version},
		{"help", "", "this text", help},
	}
}

// Run runs one command and returns its exit code: 0 for success, 1 for a failed
// run, 2 for wrong usage. Errors go to stderr and say what to do next.
func Run(ctx context.Context, args []string, env func(string) string, stdin io.Reader, stdout, stderr io.Writer) int {
	p := process{env: env, stdin: stdin, stdout: stdout, stderr: stderr, clock: clinical.SystemClock}
	err := dispatch(ctx, p, args)
	say(stderr, err)
	return exitCode(err)
}

func dispatch(ctx context.Context, p process, args []string) error {
	if len(args) == 0 {
		_ = help(ctx, process{stdout: p.stderr}, nil)
		return exitError(2)
	}
	name := args[0]
	if asksHelp(name) {
		name = "help"
	}
	for _, c := range commands() {
		if c.name == name {
			if len(args) == 2 && asksHelp(args[1]) {
				return help(ctx, p, nil)
			}
			return c.run(ctx, p, args[1:])
		}
	}
	return usagef("there is no command %q; `dashboard help` lists them", name)
}

func asksHelp(arg string) bool { return slices.Contains([]string{"-h", "--help", "-help"}, arg) }

func help(_ context.Context, p process, _ []string) error {
	var b strings.Builder
	fmt.Fprintln(&b, text.Say("commands.help"))
	for _, c := range commands() {
		fmt.Fprintf(&b, "  %-32s %s\n", strings.TrimSpace(c.name+" "+c.args), c.help)
	}
	fmt.Fprintln(&b, text.Say("commands.help-settings", settingsFile))
	for _, o := range options {
		fmt.Fprintln(&b, text.Say("commands.help-setting", o.name, o.variable(), o.help, orNone(o.byDefault)))
	}
	fmt.Fprintln(&b, text.Say("commands.help-files"))
	_, err := io.WriteString(p.stdout, b.String())
	return err
}

func orNone(s string) string {
	if s == "" {
		return text.Say("commands.none")
	}
	return s
}

// parse reads a command's flags with the settings' flags beside them. Flags and
// arguments may come in any order.
func (p process) parse(name string, args []string, own func(*flag.FlagSet)) (s settings, rest []string, err error) {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	shared := addSettingFlags(fs)
	if own != nil {
		own(fs)
	}
	for len(args) > 0 {
		err := fs.Parse(args)
		if errors.Is(err, flag.ErrHelp) {
			_ = help(context.Background(), p, nil)
			return s, nil, exitError(0)
		}
		if err != nil {
			return s, nil, usagef("%s: %v; `dashboard help` lists the settings", name, err)
		}
		args = fs.Args()
		if len(args) > 0 {
			rest, args = append(rest, args[0]), args[1:]
		}
	}
	s, err = shared.resolve(p.env)
	if err != nil {
		err = usagef("%v", err)
	}
	return s, rest, err
}

// site is an open store with what works on it.
type site struct {
	settings settings
	store    *store.Store
	loader   *ingest.Loader
	service  *assess.Service
	policies *policybook.Book
	codes    *codebook.Book
	watch    *feedcheck.Watch
	clocks   *clockWatch
	lease    *lease // nil: this program is alone
	polled   polled
	writes   *writes
	log      *slog.Logger
}

// open opens and migrates the store.
func (p process) open(ctx context.Context, s settings) (*site, error) {
	log := slog.New(slog.NewTextHandler(p.stderr, &slog.HandlerOptions{Level: level(s.logLevel)}))
	st, err := store.Open(ctx, s.database, log)
	if err != nil {
		return nil, err
	}
	st.EpisodeRules, st.KeepUnmapped, st.Steady = episodes.KeptRules, s.unmappedBytes, clinical.SteadyClock
	if err := st.Migrate(ctx); err != nil {
		_ = st.Close()
		return nil, err
	}
	if s.fhir.Installation, err = st.Installation(ctx); err != nil {
		_ = st.Close()
		return nil, err
	}
	inForce := policy.NewSwitch(s.policy)
	if s.fhir.Codes == nil {
		s.fhir.Codes = codes.New()
	}
	book := &codebook.Book{Store: st, Clock: p.clock, File: s.codes, Table: s.fhir.Codes}
	service := &assess.Service{Store: st, Policy: inForce, Zone: s.zone, Drugs: book.Drugs}
	noted := newWrites()
	opened := &site{
		settings: s, store: st, log: log, writes: noted,
		loader: &ingest.Loader{
			Store: notedStore{st, noted}, Readers: readers(s), Clock: p.clock, Zone: s.zone,
			Plausible: func(v clinical.Vitals) []string {
				return text.Doubts(trends.Believe("", v, inForce.Current().Policy.Plausible).Implausible)
			},
		},
		service: service,
		codes:   book,
		clocks:  &clockWatch{log: log, steady: clinical.SteadyClock},
		policies: &policybook.Book{
			Store: st, Answers: service, Clock: p.clock, Log: log, InForce: inForce, File: s.policyFile,
		},
	}
	opened.loader.Outward = opened.outward()
	opened.watch = opened.newWatch(p.clock)
	book.Changed = func(ctx context.Context) error {
		_, held := opened.loader.Retry(ctx)
		_, untold := opened.loader.RetryUnmapped(ctx)
		return errors.Join(held, untold)
	}
	st.OnAhead = func(a store.StepAhead) { opened.clocks.ahead(a, p.clock()) }
	if err := errors.Join(opened.policies.Refresh(ctx), book.Refresh(ctx)); err != nil {
		opened.close()
		return nil, err
	}
	return opened, nil
}

// readers are those of every format that comes by file or message.
func readers(s settings) []feed.Reader {
	return []feed.Reader{fhirfeed.New(s.fhir), hl7Reader(s), csvfeed.Reader{MaxRecord: s.csvMaxRecord}}
}

func (s *site) close() { _ = s.store.Close() }

// level is that of the settings: by itself a command that answers and ends says
// only what is wrong.
func level(name string) slog.Level {
	l := slog.LevelWarn
	_ = l.UnmarshalText([]byte(name)) // checked when the settings were read
	return l
}

func parseTime(s string, zone *time.Location) (time.Time, bool) { return feed.ParseTime(s, zone) }
