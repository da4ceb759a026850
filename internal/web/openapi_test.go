package web_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"

	"plumbline/internal/auth"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// described is the OpenAPI document as the server gives it, read as JSON so that its
// numbers are those of the validator.
func described(t *testing.T, h http.Handler) map[string]any {
	t.Helper()
	w := get(h, "/api/v1/openapi.yaml")
	if kind := w.Header().Get("Content-Type"); w.Code != http.StatusOK || !strings.HasPrefix(kind, "application/yaml") {
		t.Fatalf("openapi.yaml = %d, %s", w.Code, kind)
	}
	var raw any
	if err := yaml.Unmarshal(w.Body.Bytes(), &raw); err != nil {
		t.Fatal(err)
	}
	body, err := json.Marshal(raw)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	return doc.(map[string]any)
}

// schemaOf compiles one of the document's schemas, by JSON Schema 2020-12, which is
// the dialect of OpenAPI 3.1; formats are checked too.
func schemaOf(t *testing.T, doc map[string]any, name string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("openapi.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("openapi.json#/components/schemas/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func validate(s *jsonschema.Schema, body []byte) error {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		return err
	}
	return s.Validate(v)
}

// The answers of the running server for the demo unit keep to the document.
func TestAnswersKeepToTheOpenAPIDocument(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	doc := described(t, h)
	list, sets, failure := schemaOf(t, doc, "List"), schemaOf(t, doc, "Sets"), schemaOf(t, doc, "Error")
	stays, found := 0, 0
	for _, unit := range []string{"4W", "7E"} {
		w := get(h, "/api/v1/units/"+unit+"/list")
		if err := validate(list, w.Body.Bytes()); err != nil || w.Code != http.StatusOK {
			t.Errorf("list of %s = %d: %v", unit, w.Code, err)
		}
		var l struct {
			Patients []struct {
				StayID string `json:"stay_id"`
			}
		}
		if err := json.Unmarshal(w.Body.Bytes(), &l); err != nil {
			t.Fatal(err)
		}
		for _, p := range l.Patients {
			stays++
			w := get(h, "/api/v1/stays/"+p.StayID+"/sets")
			if err := validate(sets, w.Body.Bytes()); err != nil || w.Code != http.StatusOK {
				t.Errorf("sets of %s = %d: %v", p.StayID, w.Code, err)
			}
			found += strings.Count(w.Body.String(), `"set_id"`)
		}
	}
	if stays == 0 || found == 0 {
		t.Fatalf("%d stays with %d sets: nothing was checked", stays, found)
	}
	t.Logf("%d stays, %d sets", stays, found)

	for target, want := range map[string]int{
		"/api/v1/units/9Z/list":             http.StatusNotFound,
		"/api/v1/stays/S000/sets":           http.StatusNotFound,
		"/api/v1/units/4W/list?as_of=never": http.StatusBadRequest,
	} {
		w := get(h, target)
		if err := validate(failure, w.Body.Bytes()); err != nil || w.Code != want {
			t.Errorf("%s = %d, want %d: %v", target, w.Code, want, err)
		}
	}
}

// Each property of the schemas stands in some answer with a value, so that none of them is
// described and not checked. The demo unit is asked with what is charted here.
func TestEveryPropertyOfTheDocumentIsAnswered(t *testing.T) {
	h, _ := openWith(t)
	doc := described(t, h)
	w := walker{schemas: doc["components"].(map[string]any)["schemas"].(map[string]any), seen: map[string]bool{}}
	stays := map[string]bool{}
	for _, target := range []string{"/api/v1/units/4W/list", "/api/v1/units/7E/list"} {
		body := asJSON(t, get(h, target))
		if err := schemaOf(t, doc, "List").Validate(body); err != nil {
			t.Errorf("%s: %v", target, err)
		}
		w.walk("List", w.schemas["List"], body)
		for _, p := range body.(map[string]any)["patients"].([]any) {
			stays[p.(map[string]any)["stay_id"].(string)] = true
		}
	}
	for stay := range stays {
		body := asJSON(t, get(h, "/api/v1/stays/"+stay+"/sets"))
		if err := schemaOf(t, doc, "Sets").Validate(body); err != nil {
			t.Errorf("sets of %s: %v", stay, err)
		}
		w.walk("Sets", w.schemas["Sets"], body)
	}
	w.walk("Error", w.schemas["Error"], asJSON(t, get(h, "/api/v1/units/9Z/list")))
	m, _ := openDevice(t, "4W")
	asked, err := jsonschema.UnmarshalJSON(strings.NewReader(goodSet("a")))
	if err != nil {
		t.Fatal(err)
	}
	w.walk("MeasuredSet", w.schemas["MeasuredSet"], asked)
	w.walk("Problems", w.schemas["Problems"], asJSON(t, m.send("S102", strings.Replace(goodSet("a"), "142", "999", 1))))
	rare := map[string]bool{"Around.shift_low": true, "Around.shift_high": true} // more sets than a stay of the demo has
	for name, schema := range w.schemas {
		for property := range schema.(map[string]any)["properties"].(map[string]any) {
			if rare[name+"."+property] == w.seen[name+"."+property] {
				t.Errorf("%s.%s: an answer has a value: %v", name, property, w.seen[name+"."+property])
			}
		}
	}
}

func asJSON(t *testing.T, w *httptest.ResponseRecorder) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// walker goes through an answer beside its schema, and notes which properties have a value.
type walker struct {
	schemas map[string]any
	seen    map[string]bool // by schema and property
}

func (w walker) walk(name string, schema, v any) {
	s, _ := schema.(map[string]any)
	if ref, ok := s["$ref"].(string); ok {
		name = ref[strings.LastIndex(ref, "/")+1:]
		w.walk(name, w.schemas[name], v)
		return
	}
	if either, ok := s["oneOf"].([]any); ok && v != nil {
		w.walk(name, either[0], v)
		return
	}
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			w.walk(name, s["items"], e)
		}
	case map[string]any:
		properties, _ := s["properties"].(map[string]any)
		for key, value := range v {
			if value != nil {
				w.seen[name+"."+key] = true
			}
			w.walk(name+"."+key, properties[key], value)
		}
	}
}

// What a device sends, and what it is answered, keep to the document.
func TestWhatADeviceSendsKeepsToTheOpenAPIDocument(t *testing.T) {
	m, _ := openDevice(t, "4W")
	doc := described(t, signedIn(m.d))
	asked, kept, problems := schemaOf(t, doc, "MeasuredSet"), schemaOf(t, doc, "Set"), schemaOf(t, doc, "Problems")
	failure := schemaOf(t, doc, "Error")
	bare := `{"id":"b","readings":[{"taken_at":"` + at(-2) + `"}]}`
	for _, step := range []struct {
		body   string
		fits   bool
		code   int
		answer *jsonschema.Schema
	}{
		{goodSet("a"), true, 201, kept}, {goodSet("a"), true, 200, kept}, {bare, true, 201, kept},
		{strings.Replace(goodSet("a"), "142", "141", 1), true, 409, failure},
		{strings.Replace(goodSet("c"), "142", "999", 1), true, 400, problems}, // its limits are the policy's
		{strings.Replace(goodSet("c"), "lying", "kneeling", 1), false, 400, problems},
		{strings.Replace(goodSet("c"), `"id"`, `"note":"x","id"`, 1), false, 400, problems},
		{setOf("c"), false, 400, problems}, {goodSet("a b"), false, 400, problems},
	} {
		if err := validate(asked, []byte(step.body)); (err == nil) != step.fits {
			t.Errorf("the document on %s: %v", step.body, err)
		}
		w := m.send("S102", step.body)
		if err := validate(step.answer, w.Body.Bytes()); err != nil || w.Code != step.code {
			t.Errorf("%s = %d, want %d: %v", step.body, w.Code, step.code, err)
		}
	}
}

// Without a session every way of the API gives 401 and the document's error.
func TestOpenAPIErrorWithoutASession(t *testing.T) {
	d, _ := open(t)
	failure := schemaOf(t, described(t, signedIn(d)), "Error")
	for _, target := range []string{"/api/v1/units/4W/list", "/api/v1/stays/S102/sets", "/api/v1/openapi.yaml"} {
		w := fromHere(web.New(d), target)
		if err := validate(failure, w.Body.Bytes()); err != nil || w.Code != http.StatusUnauthorized {
			t.Errorf("%s = %d: %v", target, w.Code, err)
		}
	}
}

// The scheme and the scopes that the document names are those that serve: with a token
// of the scope beside a way its answer keeps to the document, without any the 401 does.
func TestOpenAPINamesTheTokens(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	doc := described(t, signedIn(d))
	failure := schemaOf(t, doc, "Error")
	scheme := doc["components"].(map[string]any)["securitySchemes"].(map[string]any)["token"].(map[string]any)
	if scheme["type"] != "http" || scheme["scheme"] != "bearer" {
		t.Errorf("the scheme is %v", scheme)
	}
	ask := func(target, token string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodGet, target, nil)
		r.RemoteAddr = "127.0.0.1:999"
		r.Header.Set("Authorization", "Bearer "+token)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	for path, item := range doc["paths"].(map[string]any) {
		get := item.(map[string]any)["get"].(map[string]any)
		var scopes []string
		for _, way := range get["security"].([]any) {
			if named, ok := way.(map[string]any)["token"]; ok {
				for _, scope := range named.([]any) {
					scopes = append(scopes, scope.(string))
				}
				if len(scopes) == 0 {
					scopes = []string{string(records.ReadMetrics)} // any token
				}
			}
		}
		made := auth.ParseAPIToken("for "+path, scopes, nil, demo.AnchorTime().Add(time.Hour))
		made.AllUnits = !made.May(records.ReadMetrics)
		secret, _, err := d.Tokens.Make(t.Context(), made, "root")
		if err != nil {
			t.Fatalf("%s names the scopes %v: %v", path, scopes, err)
		}
		target := strings.NewReplacer("{unit}", "4W", "{stay}", "S102").Replace(path)
		if w := ask(target, secret); w.Code != http.StatusOK {
			t.Errorf("%s with %v = %d", path, scopes, w.Code)
		}
		w := ask(target, auth.NewAPIToken())
		answer := get["responses"].(map[string]any)["401"].(map[string]any)["$ref"].(string)
		name := answer[strings.LastIndex(answer, "/")+1:]
		headers := doc["components"].(map[string]any)["responses"].(map[string]any)[name].(map[string]any)["headers"].(map[string]any)
		if err := validate(failure, w.Body.Bytes()); err != nil || w.Code != http.StatusUnauthorized {
			t.Errorf("%s with an unknown token = %d: %v", path, w.Code, err)
		}
		for header := range headers {
			if w.Header().Get(header) == "" {
				t.Errorf("%s with an unknown token lacks the header %s", path, header)
			}
		}
		if len(headers) == 0 {
			t.Errorf("%s: the 401 names no header", path)
		}
	}
}

// fromHere asks from this machine, where no encryption is asked for.
func fromHere(h http.Handler, target string, cookies ...*http.Cookie) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, target, nil)
	r.RemoteAddr = "127.0.0.1:999"
	for _, c := range cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// The schemas refuse what they do not describe: a field more, a field less, a word
// outside its list. Otherwise the test above could not fail.
func TestOpenAPISchemasRefuse(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	s := schemaOf(t, described(t, h), "List")
	body := get(h, "/api/v1/units/4W/list").Body.String()
	for what, changed := range map[string]string{
		"a field more":    strings.Replace(body, `"rank":`, `"extra":1,"rank":`, 1),
		"a field less":    regexp.MustCompile(`"bed":"[^"]*",`).ReplaceAllString(body, ""),
		"another tier":    regexp.MustCompile(`"tier":"[^"]*"`).ReplaceAllString(body, `"tier":"low"`),
		"a time in words": regexp.MustCompile(`"as_of":"[^"]*"`).ReplaceAllString(body, `"as_of":"today"`),
	} {
		if changed == body {
			t.Errorf("%s: nothing was changed", what)
		} else if validate(s, []byte(changed)) == nil {
			t.Errorf("%s is allowed", what)
		}
	}
}

// Every way of the API stands in the document, and the document names no other.
func TestOpenAPINamesEveryRoute(t *testing.T) {
	d, _ := open(t)
	doc := described(t, signedIn(d))
	named := map[string]bool{}
	for path, item := range doc["paths"].(map[string]any) {
		for method := range item.(map[string]any) {
			named[strings.ToUpper(method)+" "+path] = true
		}
	}
	parameter := regexp.MustCompile(`:(\w+)`)
	for way := range web.Ways(d) {
		if !strings.Contains(way, " /api/") || strings.HasPrefix(way, http.MethodHead) {
			continue
		}
		way = parameter.ReplaceAllString(way, "{$1}")
		if !named[way] {
			t.Errorf("%s is not in docs/openapi.yaml", way)
		}
		delete(named, way)
	}
	for way := range named {
		t.Errorf("docs/openapi.yaml names %s, which is no route", way)
	}
}

// The cookie that the document names is the one that a sign-in sets.
func TestOpenAPINamesTheCookie(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	cookies, err := webtest.SignIn(h, webtest.Everything, webtest.Password)
	if err != nil {
		t.Fatal(err)
	}
	schemes := described(t, signedIn(d))["components"].(map[string]any)["securitySchemes"].(map[string]any)
	name := schemes["session"].(map[string]any)["name"].(string)
	cookies = slices.DeleteFunc(cookies, func(c *http.Cookie) bool { return c.Name != name })
	if w := fromHere(h, "/api/v1/openapi.yaml", cookies...); w.Code != http.StatusOK {
		t.Errorf("with the cookie %s alone = %d", name, w.Code)
	}
}

// Every reference of the document leads somewhere within it.
func TestOpenAPIReferencesResolve(t *testing.T) {
	d, _ := open(t)
	doc := described(t, signedIn(d))
	if doc["openapi"] != "3.1.0" {
		t.Errorf("openapi = %v", doc["openapi"])
	}
	seen := 0
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, e := range v {
				walk(e)
			}
		case map[string]any:
			if ref, ok := v["$ref"].(string); ok {
				seen++
				if !leads(doc, ref) {
					t.Errorf("%s leads nowhere", ref)
				}
			}
			for _, e := range v {
				walk(e)
			}
		}
	}
	walk(doc)
	if seen == 0 {
		t.Error("no reference was found")
	}
}

func leads(doc map[string]any, ref string) bool {
	path, local := strings.CutPrefix(ref, "#/")
	var at any = doc
	for step := range strings.SplitSeq(path, "/") {
		m, ok := at.(map[string]any)
		if !ok {
			return false
		}
		at = m[step]
	}
	return local && at != nil
}
