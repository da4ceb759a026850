package idp_test

import (
	"fmt"
	"maps"
	"strings"
	"testing"

	"plumbline/internal/auth"
	"plumbline/internal/idp"
)

const secret = "never to be seen"

func values(change map[string]string) map[string]string {
	v := map[string]string{
		"oidc-issuer": "https://login.hospital.example/realm", "oidc-client-id": "plumbline", "oidc-client-secret": secret,
		"oidc-groups-claim": "groups", "oidc-name-claim": "preferred_username", "oidc-map": "falls = falls-nurse @ 4W",
	}
	maps.Copy(v, change)
	return v
}

func TestReadSettings(t *testing.T) {
	s, err := idp.ReadSettings(values(nil), "https://falls.hospital.example")
	if err != nil || s.Redirect() != "https://falls.hospital.example/sign-in/oidc/back" || s.ClientSecret != secret || len(s.Map) != 1 {
		t.Errorf("settings %+v, %v", s, err)
	}
	if s, err := idp.ReadSettings(map[string]string{"oidc-groups-claim": "groups"}, ""); err != nil || s.Issuer != "" {
		t.Errorf("without a service: %+v, %v", s, err)
	}
	for _, local := range []string{"http://127.0.0.1:9000", "http://localhost:9000/x", "http://[::1]:9000"} {
		if _, err := idp.ReadSettings(values(map[string]string{"oidc-issuer": local}), "http://127.0.0.1:8080"); err != nil {
			t.Errorf("%s on this machine: %v", local, err)
		}
	}
}

func TestSettingsThatAreWrongAreNamed(t *testing.T) {
	for _, c := range []struct {
		change map[string]string
		public string
		want   string // what the error must say
	}{
		{map[string]string{"oidc-issuer": ""}, "https://a.example", "oidc-issuer is not"},
		{map[string]string{"oidc-client-id": ""}, "https://a.example", "oidc-client-id"},
		{map[string]string{"oidc-client-secret": ""}, "https://a.example", "PLUMBLINE_OIDC_CLIENT_SECRET_FILE"},
		{map[string]string{"oidc-map": ""}, "https://a.example", "oidc-map"},
		{map[string]string{"oidc-groups-claim": ""}, "https://a.example", "oidc-groups-claim"},
		{map[string]string{"oidc-name-claim": ""}, "https://a.example", "oidc-name-claim"},
		{nil, "", "public-url"},
		{nil, "http://falls.hospital.example", "public-url is not https"},
		{map[string]string{"oidc-issuer": "http://login.hospital.example"}, "https://a.example", "oidc-issuer is not https"},
		{map[string]string{"oidc-issuer": "login.hospital.example"}, "https://a.example", "oidc-issuer"},
		{map[string]string{"oidc-issuer": "https://u:p@login.hospital.example"}, "https://a.example", "oidc-issuer"},
		{map[string]string{"oidc-issuer": "https://login.hospital.example/?x=y"}, "https://a.example", "query"},
		{map[string]string{"oidc-issuer": "https://login.hospital.example/#x"}, "https://a.example", "oidc-issuer"},
		{map[string]string{"oidc-issuer": "http://127.0.0.1.example"}, "https://a.example", "oidc-issuer is not https"},
	} {
		_, err := idp.ReadSettings(values(c.change), c.public)
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), secret) {
			t.Errorf("with %v and public-url %q: %v; want it to say %q", c.change, c.public, err, c.want)
		}
	}
}

func TestParseMap(t *testing.T) {
	m, err := idp.ParseMap("falls = falls-nurse @ 4W, 7E ;;\n cn=ward 7,ou=groups = bedside-nurse@7E\nit=administrator; all=@*; 4w=@4W; both = Pharmacist, unit-manager @ *, 4W;")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		groups string // with | between
		want   string
	}{
		{"falls", "[falls-nurse] [4W 7E] false"},
		{"cn=ward 7,ou=groups", "[bedside-nurse] [7E] false"},
		{"it", "[administrator] [] false"},
		{"all", "[] [] true"},
		{"it|4w|falls", "[administrator falls-nurse] [4W 7E] false"},
		{"both", "[pharmacist unit-manager] [4W] true"},
		{"Falls|FALLS| falls|fall", "[] [] false"}, // exactly, or not at all
		{"", "[] [] false"},
		{"unknown|it", "[administrator] [] false"},
	} {
		g := m.Of(strings.Split(c.groups, "|"))
		if got := fmt.Sprint(g.Roles, g.Units, g.AllUnits); got != c.want {
			t.Errorf("groups %q give %s, want %s", c.groups, got, c.want)
		}
	}
	if g := m.Of(nil); len(g.Roles) != 0 || g.AllUnits {
		t.Errorf("no group gives %+v", g)
	}
	if got := m["falls"].Units; fmt.Sprint(got) != "[4W 7E]" {
		t.Errorf("adding up has changed the map: %v", got)
	}
}

func TestMapsThatAreWrongAreNamed(t *testing.T) {
	for text, want := range map[string]string{
		"falls":                       "no =",
		"falls = fall-nurse @ 4W":     "no role \"fall-nurse\"",
		"falls =":                     "neither a role nor a unit",
		"falls = @":                   "neither a role nor a unit",
		"= falls-nurse @ 4W":          "names no group",
		"a = @4W; b = @7E; a = @*":    "\"a\" stands there twice",
		" ; ; ":                       "names no group",
		"a = falls-nurse @ 4W\x01":    "control character",
		"falls nurse -> falls-nurse":  "no =",
		"a = administrator, x @ 4W":   "no role \"x\"",
		"a = falls-nurse 4W, 7E":      "no role \"falls-nurse 4W\"",
		"a=falls-nurse@4W = x":        "no role \"x\"",
		"g = administrator, , screen": "",
	} {
		_, err := idp.ParseMap(text)
		if want == "" && err == nil {
			continue
		}
		if err == nil || !strings.HasPrefix(err.Error(), "oidc-map") || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want it to say %q", text, err, want)
		}
	}
	if _, err := auth.ParseGrants([]string{"falls-nurse"}, nil); err == nil {
		t.Error("a role without its unit lets somebody in")
	}
}

func TestSettingsOfALaunch(t *testing.T) {
	good := map[string]string{
		"smart-record": "https://record.example/fhir/", "smart-client-id": "x", "smart-scopes": "launch openid fhirUser",
		"oidc-groups-claim": "groups", "oidc-name-claim": "name", "oidc-map": "a = administrator",
	}
	s, err := idp.ReadLaunch(good, "https://falls.example")
	if err != nil || s.Record != "https://record.example/fhir" || s.Redirect() != "https://falls.example/launch/back" || s.ClientSecret != "" {
		t.Errorf("%+v, %v", s, err)
	}
	if s, err := idp.ReadSettings(good, "https://falls.example"); err != nil || s.Issuer != "" {
		t.Errorf("the map of a record alone: %+v, %v", s, err)
	}
	if s, err := idp.ReadLaunch(map[string]string{"oidc-map": "a = administrator"}, ""); err != nil || s.Record != "" {
		t.Errorf("without a record: %+v, %v", s, err)
	}
	for _, c := range []struct{ name, value, want string }{
		{"smart-record", "", "smart-client-id is set and smart-record is not"},
		{"smart-record", "http://record.example/fhir", "smart-record is not https"},
		{"smart-record", "record", "smart-record is no address"},
		{"smart-client-id", "", "smart-record needs smart-client-id"},
		{"oidc-map", "", "smart-record needs oidc-map"},
		{"oidc-map", "a", "has no ="},
		{"oidc-groups-claim", "", "smart-record needs oidc-groups-claim"},
		{"smart-scopes", "launch fhirUser", "lacks openid"},
		{"smart-scopes", "openid", "lacks launch"},
		{"smart-key", "x", "smart-key needs smart-key-id"},
		{"smart-key-id", "k", ""},
	} {
		v := maps.Clone(good)
		v[c.name] = c.value
		if _, err := idp.ReadLaunch(v, "https://falls.example"); (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s=%q: %v, want %q", c.name, c.value, err, c.want)
		}
	}
	for change, want := range map[string]string{"smart-client-secret": "both set", "smart-scopes": "smart-key is no private key"} {
		v := maps.Clone(good)
		v["smart-key"], v["smart-key-id"] = "x", "k"
		if change == "smart-client-secret" {
			v[change] = secret
		}
		if _, err := idp.ReadLaunch(v, "https://falls.example"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("a key, %s: %v, want %q", change, err, want)
		}
	}
	if _, err := idp.ReadLaunch(good, ""); err == nil || !strings.Contains(err.Error(), "needs public-url") {
		t.Error(err)
	}
}
