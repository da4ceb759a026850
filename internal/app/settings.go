package app

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net/netip"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/idp"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/ingest/fhirpoll"
	"plumbline/internal/notify"
	"plumbline/internal/policy"
	"plumbline/internal/smart"
	"plumbline/internal/text"
)

// option is one setting: it comes from its flag, else its variable, else the
// variable with _FILE added (a file that holds the value, for secrets), else the
// settings file, else its default.
type option struct {
	name      string // of the flag; the variable is PLUMBLINE_ and this in capitals
	byDefault string
	help      string
}

var options = []option{
	{"database", "data/plumbline.db", "where facts are kept: a postgres:// address, or a file for the embedded database"},
	{
		"listen", "127.0.0.1:8080",
		"address and port of the web server; beyond loopback only with tls-cert and tls-key, " +
			"or with trusted-proxies",
	},
	{"feed-dir", "", "folder that the schedule reads; none: nothing is read by itself"},
	{"feed-every", "@every 1m", "how often the feed folder is looked at: a cron expression or @every and a duration"},
	{"feed-settle", "5s", "how long a file must have stayed as it is before the schedule reads it"},
	{
		"stay-classes", "IMP,ACUTE,NONAC,OBSENC,EMER,SS",
		"classes of encounters (v3-ActCode) that make a stay, with commas between",
	},
	{"codes", "", "the site's table of codes, a YAML file (docs/feeds.md); none: no code of the site's own is known"},
	{"fhir-max-resource", "16777216", "bytes of the largest FHIR resource that is read; a larger one makes its file unreadable"},
	{"fhir-url", "", "base address of a FHIR server that is polled; https, or http on this machine; none: none is"},
	{"fhir-every", "@every 1m", "how often the FHIR server is polled: a cron expression or @every and a duration"},
	{"fhir-page", "200", "resources a page that are asked for"},
	{"fhir-client-id", "", "what this program is called there (SMART Backend Services); none: without sign-in"},
	{"fhir-key", "", "its private key in PEM, RSA or P-384"},
	{"fhir-key-id", "", "the number of that key (kid)"},
	{"fhir-token-url", "", "where a token is asked for; none: as the server's smart-configuration says"},
	{"fhir-scope", "system/*.read", "what the token is asked for"},
	{"fhir-max-depth", "100", "how deep values of FHIR may nest"},
	{"mllp-listen", "", "address and port where HL7 v2 messages are taken by MLLP, such as 10.1.2.3:2575; none: nowhere"},
	{"mllp-tls", "no", "yes: MLLP speaks TLS, with tls-cert and tls-key"},
	{"hl7-max-message", "16777216", "bytes of the largest HL7 v2 message that is taken, by MLLP or in a file"},
	{"mllp-send", "", "host:port where what is taken here is sent as HL7 v2 by MLLP (docs/outward.md); none: nowhere"},
	{"mllp-send-tls", "no", "yes: by TLS"},
	{"mllp-send-ca", "", "certificates (PEM) that are believed there, and no others; none: those of this machine"},
	{"send-application", "PLUMBLINE", "what this program is called in HL7 v2 messages (MSH-3)"},
	{"send-facility", "", "the facility that sends them (MSH-4)"},
	{"send-units", "", "units whose sets are sent, with commas between; none: all"},
	{"fhir-send-url", "", "base address of a FHIR server where what is taken here is sent; https, or http on this machine; none: nowhere"},
	{"fhir-send-client-id", "", "what this program is called there (SMART Backend Services); none: without sign-in"},
	{"fhir-send-key", "", "its private key in PEM, RSA or P-384"},
	{"fhir-send-key-id", "", "the number of that key (kid)"},
	{"fhir-send-token-url", "", "where a token is asked for; none: as the server's smart-configuration says"},
	{"fhir-send-scope", "system/Observation.crus system/Flag.crus", "what the token is asked for"},
	{"quarantine-max-bytes", "1073741824", "bytes that rows held back may take; beyond, the oldest are dropped, counted and told of"},
	{"unmapped-max-bytes", "67108864", "bytes of rows with codes that nothing tells, kept until the site's table tells them; 0: none are"},
	{"quarantine-max-days", "365", "days after which a row held back is dropped, counted and told of"},
	{"csv-max-record", "1048576", "bytes of the longest row of CSV that is read; a longer one makes its file unreadable"},
	{"policy", "", "a policy file; none: the policy saved in the app, else the built-in one"},
	{"zone", "UTC", "the site's time zone, an IANA name such as Europe/Zurich"},
	{"tls-cert", "", "certificate file (PEM, with its chain) for https; read anew when it changes"},
	{"tls-key", "", "key file of the certificate"},
	{"trusted-proxies", "", "addresses or networks, with commas between, of proxies whose X-Forwarded-For and -Proto are believed"},
	{"idle-sign-off", "15m", "how long a session lasts without use; at most 12h"},
	{"breached-list", "", "a file of passwords that nobody may use: on each line one, or its SHA-1"},
	{"public-url", "", "address of the pages as people reach them, for links in messages and the way back from a sign-in elsewhere"},
	{"oidc-issuer", "", "address of the site's sign-in service (OpenID Connect), exactly as it gives it; none: local accounts alone"},
	{"oidc-client-id", "", "what this program is called there"},
	{"oidc-client-secret", "", "its secret there"},
	{"smart-record", "", "FHIR address of the record that opens pages here (SMART App Launch); it needs public-url and oidc-map"},
	{"smart-client-id", "", "what this program is called at the record"},
	{"smart-client-secret", "", "its secret there; none: a public client"},
	{"smart-key", "", "its private key in PEM, RSA or P-384, in place of a secret"},
	{"smart-key-id", "", "the number of that key (kid)"},
	{"smart-scopes", "launch openid fhirUser", "what is asked of the record; with patient/Patient.r the number of a patient is read there"},
	{"oidc-groups-claim", "groups", "the claim that lists somebody's groups"},
	{"oidc-name-claim", "preferred_username", "the claim that names the account at its first sign-in"},
	{"oidc-map", "", "what groups give: GROUP = ROLE, ROLE @ UNIT, UNIT with semicolons between; * is every unit"},
	{"webhook-url", "", "where notices and digests are posted to; https, or http on this machine"},
	{"webhook-secret", "", "base64 of 24 to 64 random bytes that signs them; whsec_ may stand before it"},
	{"smtp-address", "", "host:port of the mail server; 465 is TLS from the start, any other STARTTLS"},
	{"smtp-user", "", "name to sign in with at the mail server; none: without"},
	{"smtp-password", "", "its password"},
	{"smtp-from", "", "sender of e-mails"},
	{"smtp-to", "", "receivers of e-mails, with commas between"},
	{"smtp-now", "no", "yes: notices of the tier now by e-mail at once, besides the digest"},
	{"digest-before", "30m", "how long before the huddle (unit.huddle of the policy) the digest is sent"},
	{"quiet-hours", "today=22:00-06:00", "when notices of a tier (now, this_shift, today) wait, with commas between; none: never"},
	{"notify-names", "no", "yes: patients' names leave the program in webhooks and e-mails"},
	{"hospital", "", "name of the hospital, for the head of pages"},
	{"log-level", "", "debug, info, warn or error; by itself info for serve and demo, warn for the rest"},
}

func (o option) variable() string {
	return "PLUMBLINE_" + strings.ToUpper(strings.ReplaceAll(o.name, "-", "_"))
}

// settingsFile names the variable of the settings file: lines of NAME=value.
const settingsFile = "PLUMBLINE_SETTINGS"

// settings are the program's settings as they stand.
type settings struct {
	database   string
	listen     string
	feedDir    string
	feedEvery  string
	feedSettle time.Duration
	fhir       fhirfeed.Settings
	codes      []codes.Entry     // of the file
	fhirServer fhirpoll.Settings // polled where it has a URL
	fhirEvery  string
	mllp       mllpSettings
	send       sendSettings

	csvMaxRecord  int   // bytes
	heldBytes     int64 // at most
	unmappedBytes int64
	heldDays      int
	policy        policy.Loaded // of the file, else the built-in one
	policyFile    string        // its name without its folder; "" where none is set
	zone          *time.Location
	hospital      string
	logLevel      string

	notify   notify.Settings
	signIn   idp.Settings
	launches idp.Settings // of the record that opens pages here

	tlsCert, tlsKey string
	proxies         []netip.Prefix
	idle            time.Duration
	breachedList    string
}

// flags of the settings, for every command.
type settingFlags map[string]*string

func addSettingFlags(fs *flag.FlagSet) settingFlags {
	out := settingFlags{}
	for _, o := range options {
		out[o.name] = fs.String(o.name, "", o.help)
	}
	return out
}

// resolve reads the settings; the error says which one is wrong and what it may be.
func (f settingFlags) resolve(env func(string) string) (settings, error) {
	file, err := readSettings(env(settingsFile))
	if err != nil {
		return settings{}, err
	}
	values := map[string]string{}
	for _, o := range options {
		v, err := o.value(f, env, file)
		if err != nil {
			return settings{}, err
		}
		values[o.name] = v
	}
	return checked(values)
}

func (o option) value(f settingFlags, env func(string) string, file map[string]string) (string, error) {
	if v := *f[o.name]; v != "" {
		return v, nil
	}
	if v := env(o.variable()); v != "" {
		return v, nil
	}
	if path := env(o.variable() + "_FILE"); path != "" {
		data, err := os.ReadFile(path)
		if err != nil {
			return "", fmt.Errorf("%s_FILE: %w", o.variable(), err)
		}
		return strings.TrimSpace(string(data)), nil
	}
	if v := file[o.variable()]; v != "" {
		return v, nil
	}
	return o.byDefault, nil
}

func readSettings(path string) (map[string]string, error) {
	out := map[string]string{}
	if path == "" {
		return out, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", settingsFile, err)
	}
	defer func() { _ = f.Close() }()
	lines := bufio.NewScanner(f)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		name, value, ok := strings.Cut(line, "=")
		if !ok || !knownVariable(strings.TrimSpace(name)) {
			return nil, fmt.Errorf("%s line %d: write NAME=value with a name that `dashboard help` lists", path, n)
		}
		out[strings.TrimSpace(name)] = strings.TrimSpace(value)
	}
	return out, lines.Err()
}

func knownVariable(name string) bool {
	for _, o := range options {
		if o.variable() == name {
			return true
		}
	}
	return false
}

func checked(v map[string]string) (settings, error) {
	s := settings{
		database: v["database"], listen: v["listen"], feedDir: v["feed-dir"], feedEvery: v["feed-every"],
		hospital: v["hospital"], logLevel: v["log-level"],
		tlsCert: v["tls-cert"], tlsKey: v["tls-key"], breachedList: v["breached-list"],
	}
	var err error
	if err := s.checkAccess(v); err != nil {
		return s, err
	}
	if s.logLevel != "" && new(slog.Level).UnmarshalText([]byte(s.logLevel)) != nil {
		return s, fmt.Errorf("log-level %q is none of debug, info, warn, error", s.logLevel)
	}
	if s.notify, err = notify.ReadSettings(v); err != nil {
		return s, err
	}
	if s.signIn, err = idp.ReadSettings(v, s.notify.PublicURL); err != nil {
		return s, err
	}
	if s.launches, err = idp.ReadLaunch(v, s.notify.PublicURL); err != nil {
		return s, err
	}
	if s.zone, err = time.LoadLocation(v["zone"]); err != nil {
		return s, fmt.Errorf("zone %q is not a time zone; use an IANA name such as Europe/Zurich", v["zone"])
	}
	if s.feedSettle, err = time.ParseDuration(v["feed-settle"]); err != nil || s.feedSettle < 0 {
		return s, fmt.Errorf("feed-settle %q is not a duration such as 5s", v["feed-settle"])
	}
	if s.fhir, s.codes, err = readFHIRSettings(v); err != nil {
		return s, err
	}
	if s.fhirServer, err = readFHIRServer(v); err != nil {
		return s, err
	}
	s.fhirEvery = v["fhir-every"]
	if s.heldBytes, err = strconv.ParseInt(v["quarantine-max-bytes"], 10, 64); err != nil || s.heldBytes < 1<<20 {
		return s, fmt.Errorf("quarantine-max-bytes %q is not a number of bytes of at least %d", v["quarantine-max-bytes"], 1<<20)
	}
	if s.unmappedBytes, err = strconv.ParseInt(v["unmapped-max-bytes"], 10, 64); err != nil || s.unmappedBytes < 0 {
		return s, fmt.Errorf("unmapped-max-bytes %q is not a number of bytes", v["unmapped-max-bytes"])
	}
	if s.heldDays, err = strconv.Atoi(v["quarantine-max-days"]); err != nil || s.heldDays < 1 || s.heldDays > 36500 {
		return s, fmt.Errorf("quarantine-max-days %q is not a number of days from 1 to 36500", v["quarantine-max-days"])
	}
	if s.csvMaxRecord, err = strconv.Atoi(v["csv-max-record"]); err != nil || s.csvMaxRecord < 1024 || s.csvMaxRecord > 64<<20 {
		return s, fmt.Errorf("csv-max-record %q is not a number of bytes from 1024 to %d", v["csv-max-record"], 64<<20)
	}
	if s.mllp, err = s.readMLLPSettings(v); err != nil {
		return s, err
	}
	if s.send, err = readSendSettings(v); err != nil {
		return s, err
	}
	s.policy = policy.Default()
	if v["policy"] != "" {
		s.policyFile = filepath.Base(v["policy"])
		data, err := os.ReadFile(v["policy"])
		if err != nil {
			return s, fmt.Errorf("policy: %w", err)
		}
		if s.policy, err = policy.Load(data); err != nil {
			return s, fmt.Errorf("policy %s:\n%s", v["policy"], text.PolicyError(err))
		}
	}
	return s, nil
}

// readFHIRSettings reads what makes a stay, the site's table of codes and the bounds.
func readFHIRSettings(v map[string]string) (f fhirfeed.Settings, entries []codes.Entry, err error) {
	for class := range strings.SplitSeq(v["stay-classes"], ",") {
		if class = strings.ToUpper(strings.TrimSpace(class)); class != "" {
			f.StayClasses = append(f.StayClasses, class)
		}
	}
	if len(f.StayClasses) == 0 {
		return f, nil, fmt.Errorf("stay-classes %q names no class; use codes such as IMP,EMER", v["stay-classes"])
	}
	if f.MaxResource, err = strconv.Atoi(v["fhir-max-resource"]); err != nil || f.MaxResource < 1024 {
		return f, nil, fmt.Errorf("fhir-max-resource %q is not a number of bytes of at least 1024", v["fhir-max-resource"])
	}
	if f.MaxDepth, err = strconv.Atoi(v["fhir-max-depth"]); err != nil || f.MaxDepth < 10 || f.MaxDepth > 5000 {
		return f, nil, fmt.Errorf("fhir-max-depth %q is not a number from 10 to 5000", v["fhir-max-depth"])
	}
	if v["codes"] == "" {
		return f, nil, nil
	}
	data, err := os.ReadFile(v["codes"])
	if err != nil {
		return f, nil, fmt.Errorf("codes: %w", err)
	}
	entries, err = codes.Read(data)
	if err != nil {
		return f, nil, fmt.Errorf("codes %s:\n%w", v["codes"], err)
	}
	f.Codes = codes.New(entries)
	return f, entries, nil
}

// readFHIRServer reads which server is polled, and as whom.
func readFHIRServer(v map[string]string) (f fhirpoll.Settings, err error) {
	f = fhirpoll.Settings{
		URL: v["fhir-url"], SignIn: smart.Settings{
			ClientID: v["fhir-client-id"], Key: []byte(v["fhir-key"]), KeyID: v["fhir-key-id"],
			TokenURL: v["fhir-token-url"], Scope: v["fhir-scope"],
		},
	}
	if err := checkServer(v, "fhir-url", "fhir-"); err != nil {
		return f, err
	}
	if f.Page, err = strconv.Atoi(v["fhir-page"]); err != nil || f.Page < 1 || f.Page > 10000 {
		return f, fmt.Errorf("fhir-page %q is not a number from 1 to 10000", v["fhir-page"])
	}
	return f, nil
}

// checkServer refuses the address of a FHIR server, of its token service, or a key that cannot be used.
func checkServer(v map[string]string, address, prefix string) error {
	for _, name := range []string{address, prefix + "token-url"} {
		if v[name] == "" {
			continue
		}
		if err := smart.CheckURL(v[name]); err != nil {
			return fmt.Errorf("%s %q %w", name, v[name], err)
		}
	}
	if v[prefix+"client-id"] == "" {
		return nil
	}
	if _, _, err := smart.ReadKey([]byte(v[prefix+"key"])); err != nil {
		o := option{name: prefix + "key"}
		return fmt.Errorf("%s %w; %s_FILE names its file", o.name, err, o.variable())
	}
	return nil
}

// parseMoment reads --as-of; empty is now.
func parseMoment(s string, zone *time.Location, now time.Time) (time.Time, error) {
	if s == "" {
		return now, nil
	}
	t, ok := parseTime(s, zone)
	if !ok {
		return time.Time{}, usagef("--as-of %q is not a time; write it as 2026-11-25T07:00:00Z", s)
	}
	return t, nil
}

// usageError is a wrong use of a command: exit code 2.
type usageError struct{ text string }

func (e *usageError) Error() string { return e.text }

func usagef(format string, args ...any) error { return &usageError{fmt.Sprintf(format, args...)} }

// exitCode is 2 for wrong usage, 1 for a failed run.
func exitCode(err error) int {
	var usage *usageError
	var silent exitError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &silent):
		return int(silent)
	case errors.As(err, &usage):
		return 2
	}
	return 1
}

// exitError ends a command with a code after it has said all there is to say.
type exitError int

func (e exitError) Error() string { return fmt.Sprintf("exit %d", int(e)) }

// say prints an error for people, unless the command has said it already.
func say(w io.Writer, err error) {
	var silent exitError
	if err == nil || errors.As(err, &silent) {
		return
	}
	says := text.PolicyError(err)
	if clinical.CodeOf(err) == clinical.Invalid {
		says = strings.TrimSpace(says)
	}
	_, _ = fmt.Fprintln(w, "dashboard:", says)
}
