package idp

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"unicode"

	"github.com/coreos/go-oidc/v3/oidc"

	"plumbline/internal/auth"
	"plumbline/internal/smart"
)

// Settings are those of the sign-in service, checked. Without an Issuer there is none.
type Settings struct {
	Issuer       string // exactly as the service calls itself
	ClientID     string
	ClientSecret string
	GroupsClaim  string
	NameClaim    string
	Map          Map
	PublicURL    string // address of this program's pages, without a slash at its end

	// Record is the FHIR address of the record that opens pages here, without a slash at its end; "" for a
	// sign-in service that people come to by themselves. It names its Issuer itself.
	Record string
	Scopes []string // asked of the record
	// Key, in PEM, is with what the program proves itself to the record in place of a secret; KeyID is its number (kid).
	Key   []byte
	KeyID string
}

// BackPath is where the service sends browsers back to.
const BackPath = "/sign-in/oidc/back"

// Redirect is the redirect address to be registered at the service.
func (s Settings) Redirect() string {
	if s.Record != "" {
		return s.PublicURL + LaunchBackPath
	}
	return s.PublicURL + BackPath
}

// ReadLaunch checks the settings of the record that opens pages here; no Record: none does. Names, groups
// and what they give are those of the sign-in service (oidc-...).
func ReadLaunch(v map[string]string, publicURL string) (Settings, error) {
	s := Settings{
		Record: strings.TrimSuffix(v["smart-record"], "/"), ClientID: v["smart-client-id"], ClientSecret: v["smart-client-secret"],
		GroupsClaim: v["oidc-groups-claim"], NameClaim: v["oidc-name-claim"], PublicURL: publicURL,
		Scopes: strings.Fields(v["smart-scopes"]), Key: []byte(v["smart-key"]), KeyID: v["smart-key-id"],
	}
	if s.Record == "" {
		for _, name := range []string{"smart-client-id", "smart-client-secret", "smart-key", "smart-key-id"} {
			if v[name] != "" {
				return s, fmt.Errorf("%s is set and smart-record is not; set smart-record to the FHIR address of the record, "+
					"or leave all of them out", name)
			}
		}
		return s, nil
	}
	if err := checkAddress(s.Record); err != nil {
		return s, fmt.Errorf("smart-record %w; write the record's FHIR address, such as https://record.hospital.example/fhir", err)
	}
	err := lacking("smart-record",
		needed{"smart-client-id", s.ClientID, "the record gives it when this program is registered there"},
		s.needs(v)...)
	if err != nil {
		return s, err
	}
	if err := s.checkKey(); err != nil {
		return s, err
	}
	for _, scope := range []string{"launch", oidc.ScopeOpenID} {
		if !slices.Contains(s.Scopes, scope) {
			return s, fmt.Errorf("smart-scopes lacks %s; write at least `launch openid fhirUser`", scope)
		}
	}
	if err := checkAddress(s.PublicURL); err != nil {
		return s, fmt.Errorf("public-url %w; the sign-in by smart-record sends people back to it", err)
	}
	s.Map, err = ParseMap(v["oidc-map"])
	return s, err
}

// ReadSettings checks the settings by their names; publicURL is that of the setting,
// checked. The error says which is wrong and what to do, and holds no secret.
func ReadSettings(v map[string]string, publicURL string) (Settings, error) {
	s := Settings{
		Issuer: v["oidc-issuer"], ClientID: v["oidc-client-id"], ClientSecret: v["oidc-client-secret"],
		GroupsClaim: v["oidc-groups-claim"], NameClaim: v["oidc-name-claim"], PublicURL: publicURL,
	}
	if s.Issuer == "" {
		for _, name := range []string{"oidc-client-id", "oidc-client-secret", "oidc-map"} {
			if v[name] != "" && (name != "oidc-map" || v["smart-record"] == "") {
				return s, fmt.Errorf("%s is set and oidc-issuer is not; set oidc-issuer to the address of "+
					"the sign-in service, or leave all of them out", name)
			}
		}
		return s, nil
	}
	if err := checkAddress(s.Issuer); err != nil {
		return s, fmt.Errorf("oidc-issuer %w; write it exactly as the sign-in service gives it, such as https://login.hospital.example", err)
	}
	if u, _ := url.Parse(s.Issuer); u.RawQuery != "" || u.ForceQuery {
		return s, fmt.Errorf("oidc-issuer has a query; write it exactly as the sign-in service gives it, such as https://login.hospital.example")
	}
	err := lacking("oidc-issuer",
		needed{"oidc-client-id", s.ClientID, "the sign-in service gives it when this program is registered there"},
		append([]needed{{
			"oidc-client-secret", s.ClientSecret,
			"the sign-in service gives it when this program is registered there; " +
				"best in a file named by PLUMBLINE_OIDC_CLIENT_SECRET_FILE",
		}}, s.needs(v)...)...)
	if err != nil {
		return s, err
	}
	if err := checkAddress(s.PublicURL); err != nil {
		return s, fmt.Errorf("public-url %w; the sign-in by oidc-issuer sends people back to it", err)
	}
	s.Map, err = ParseMap(v["oidc-map"])
	return s, err
}

// checkKey holds what the program proves itself with to one thing: a secret, a key with its number, or nothing.
func (s Settings) checkKey() error {
	if len(s.Key) == 0 {
		return nil
	}
	if s.ClientSecret != "" {
		return fmt.Errorf("smart-key and smart-client-secret are both set; leave the one out that the record does not ask for")
	}
	if s.KeyID == "" {
		return fmt.Errorf("smart-key needs smart-key-id: the record knows the key by it")
	}
	if _, _, err := smart.ReadKey(s.Key); err != nil {
		return fmt.Errorf("smart-key %w", err)
	}
	return nil
}

// needed is a setting that another one needs, and what it is.
type needed struct{ name, value, what string }

// needs are what signing in elsewhere needs in any case.
func (s Settings) needs(v map[string]string) []needed {
	return []needed{
		{"public-url", s.PublicURL, "it is the address to which people are sent back, such as https://falls.hospital.example"},
		{"oidc-groups-claim", s.GroupsClaim, "it names the claim that lists somebody's groups, such as groups"},
		{"oidc-name-claim", s.NameClaim, "it names the claim that holds somebody's name, such as preferred_username"},
		{"oidc-map", v["oidc-map"], "without it nobody has a role; write it as `GROUP = falls-nurse @ 4W; OTHER GROUP = administrator`"},
	}
}

// lacking names the first setting that is missing.
func lacking(setting string, first needed, more ...needed) error {
	for _, n := range append([]needed{first}, more...) {
		if n.value == "" {
			return fmt.Errorf("%s needs %s: %s", setting, n.name, n.what)
		}
	}
	return nil
}

// checkAddress refuses an address to which a secret would travel in the clear: it
// must be https, or within this machine.
func checkAddress(s string) error {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Host == "" || u.Opaque != "" || u.User != nil || u.Fragment != "":
		return fmt.Errorf("is no address of a site")
	case u.Scheme == "https" || u.Scheme == "http" && onThisMachine(u.Hostname()):
		return nil
	}
	return fmt.Errorf("is not https, and http serves within this machine alone")
}

func onThisMachine(host string) bool {
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.Unmap().IsLoopback() || net.ParseIP(host).IsLoopback()
}

// Map says which roles and units a group gives.
type Map map[string]auth.Grants

// ParseMap reads a map of groups: entries `GROUP = ROLES @ UNITS` with semicolons or
// line ends between them, roles and units with commas. Either side of @ may be left
// out: one group may give the role and another one the unit. The group ends at the
// last =, for names of groups may hold some.
func ParseMap(text string) (Map, error) {
	m := Map{}
	for _, entry := range strings.FieldsFunc(text, func(r rune) bool { return r == ';' || r == '\n' }) {
		entry = strings.TrimSpace(entry)
		if entry == "" {
			continue
		}
		at := strings.LastIndex(entry, "=")
		if at < 0 {
			return nil, fmt.Errorf("oidc-map: %q has no =; write it as `GROUP = falls-nurse @ 4W, 7E`", entry)
		}
		group := strings.TrimSpace(entry[:at])
		_, twice := m[group]
		switch {
		case group == "":
			return nil, fmt.Errorf("oidc-map: %q names no group before its =", entry)
		case twice:
			return nil, fmt.Errorf("oidc-map: the group %q stands there twice; put its roles and units into one entry", group)
		}
		g, err := parseGrants(entry[at+1:])
		if err != nil {
			return nil, fmt.Errorf("oidc-map: group %q: %w", group, err)
		}
		m[group] = g
	}
	if len(m) == 0 {
		return nil, fmt.Errorf("oidc-map names no group; write it as `GROUP = falls-nurse @ 4W; OTHER GROUP = administrator`")
	}
	return m, nil
}

func parseGrants(text string) (g auth.Grants, err error) {
	roles, units, _ := strings.Cut(text, "@")
	for _, word := range strings.Split(roles, ",") {
		if word = strings.TrimSpace(word); word == "" {
			continue
		}
		r, err := auth.ParseRole(word)
		if err != nil {
			return g, err
		}
		g.Roles = append(g.Roles, r)
	}
	for _, unit := range strings.Split(units, ",") {
		switch unit = strings.TrimSpace(unit); {
		case unit == "":
		case unit == auth.AllUnits:
			g.AllUnits = true
		case strings.ContainsFunc(unit, unicode.IsControl):
			return g, fmt.Errorf("a unit's name holds a control character")
		default:
			g.Units = append(g.Units, unit)
		}
	}
	if len(g.Roles) == 0 && len(g.Units) == 0 && !g.AllUnits {
		return g, fmt.Errorf("it is given neither a role nor a unit; write for instance `falls-nurse @ 4W`")
	}
	return g, nil
}

// Of is what groups give together: every role, on every unit. Without a role, or
// without a unit where a role needs one, nobody is let in: see auth.Service.Arrive.
func (m Map) Of(groups []string) (g auth.Grants) {
	for _, group := range groups {
		of := m[group]
		g.Roles = append(g.Roles, of.Roles...)
		g.Units = append(g.Units, of.Units...)
		g.AllUnits = g.AllUnits || of.AllUnits
	}
	slices.Sort(g.Units)
	g.Units = slices.Compact(g.Units)
	return g
}
