package fhirpoll_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/ingest/fhirpoll"
	"plumbline/internal/smart"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// server is a small FHIR server: it searches by _lastUpdated, in pages, for those signed in.
type server struct {
	*httptest.Server
	key       *ecdsa.PrivateKey
	resources map[string][]map[string]any // by type, by lastUpdated
	asked     []string
	failures  int // answers 503 so often
	logins    int
	jtis      map[string]bool
	unsorted  bool
	denied    map[string]bool // types that it does not offer
	elsewhere string          // where the next page is said to lie
}

func newServer(t *testing.T) *server {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s := &server{key: key, resources: map[string][]map[string]any{}, jtis: map[string]bool{}}
	s.Server = httptest.NewServer(http.HandlerFunc(s.serve))
	t.Cleanup(s.Close)
	return s
}

func (s *server) serve(w http.ResponseWriter, r *http.Request) {
	switch {
	case r.URL.Path == "/fhir/.well-known/smart-configuration":
		_ = json.NewEncoder(w).Encode(map[string]string{"token_endpoint": s.URL + "/token"})
	case r.URL.Path == "/token":
		s.token(w, r)
	case r.Header.Get("Authorization") != "Bearer t"+strconv.Itoa(s.logins):
		w.WriteHeader(http.StatusUnauthorized)
	case s.failures > 0:
		s.failures--
		w.Header().Set("Retry-After", "7")
		w.WriteHeader(http.StatusServiceUnavailable)
	default:
		s.search(w, r)
	}
}

// token checks the statement of who asks as SMART Backend Services say.
func (s *server) token(w http.ResponseWriter, r *http.Request) {
	signed, err := jose.ParseSignedCompact(r.FormValue("client_assertion"), []jose.SignatureAlgorithm{jose.ES384})
	var claims struct {
		Iss, Sub, Aud, Jti string
		Exp                int64
	}
	if err == nil {
		var text []byte
		if text, err = signed.Verify(&s.key.PublicKey); err == nil {
			err = json.Unmarshal(text, &claims)
		}
	}
	ends := time.Unix(claims.Exp, 0)
	if err != nil || claims.Iss != "plumbline" || claims.Sub != "plumbline" || claims.Aud != s.URL+"/token" || claims.Jti == "" ||
		s.jtis[claims.Jti] || ends.Before(now) || ends.After(now.Add(5*time.Minute)) || signed.Signatures[0].Header.KeyID != "k1" ||
		r.FormValue("grant_type") != "client_credentials" || r.FormValue("scope") != "system/*.read" ||
		r.FormValue("client_assertion_type") != "urn:ietf:params:oauth:client-assertion-type:jwt-bearer" {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	s.jtis[claims.Jti] = true
	s.logins++
	_ = json.NewEncoder(w).Encode(map[string]any{"access_token": "t" + strconv.Itoa(s.logins), "token_type": "bearer", "expires_in": 300})
}

func (s *server) search(w http.ResponseWriter, r *http.Request) {
	s.asked = append(s.asked, r.URL.Path[len("/fhir/"):]+"?"+r.URL.RawQuery)
	kind, q := r.URL.Path[len("/fhir/"):], r.URL.Query()
	if s.denied[kind] {
		w.WriteHeader(http.StatusForbidden)
		return
	}
	since, _ := time.Parse("ge"+time.RFC3339Nano, q.Get("_lastUpdated"))
	count, _ := strconv.Atoi(q.Get("_count"))
	from, _ := strconv.Atoi(q.Get("from"))
	var found []map[string]any
	for _, one := range s.resources[kind] {
		at, _ := time.Parse(time.RFC3339, one["meta"].(map[string]any)["lastUpdated"].(string))
		if !at.Before(since) {
			found = append(found, one)
		}
	}
	if s.unsorted {
		slices.Reverse(found)
	}
	page := map[string]any{"resourceType": "Bundle", "type": "searchset"}
	var entries []any
	for _, one := range found[min(from, len(found)):min(from+count, len(found))] {
		entries = append(entries, map[string]any{"fullUrl": s.URL + "/fhir/" + kind + "/" + one["id"].(string), "resource": one})
	}
	if entries != nil {
		page["entry"] = entries
	}
	if from+count < len(found) {
		q.Set("from", strconv.Itoa(from+count))
		next := "?" + q.Encode()
		if s.elsewhere != "" {
			next = s.elsewhere + next
		}
		page["link"] = []any{map[string]any{"relation": "next", "url": next}}
	}
	_ = json.NewEncoder(w).Encode(page)
}

// add adds a resource that was updated so many minutes before now.
func (s *server) add(minutes int, text string) {
	var o map[string]any
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		panic(err)
	}
	o["meta"] = map[string]any{"lastUpdated": now.Add(-time.Duration(minutes) * time.Minute).Format(time.RFC3339)}
	kind := o["resourceType"].(string)
	s.resources[kind] = append(s.resources[kind], o)
}

func (s *server) poller(t *testing.T, st *store.Store) *fhirpoll.Poller {
	t.Helper()
	der, err := x509.MarshalPKCS8PrivateKey(s.key)
	if err != nil {
		t.Fatal(err)
	}
	clock := func() time.Time { return now }
	return &fhirpoll.Poller{
		Settings: fhirpoll.Settings{
			URL: s.URL + "/fhir", Page: 2, SignIn: smart.Settings{
				ClientID: "plumbline", KeyID: "k1", Scope: "system/*.read",
				Key: pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}),
			},
		},
		Receiver: &ingest.Loader{
			Store: st, Readers: []feed.Reader{fhirfeed.New(fhirfeed.Defaults())}, Clock: clock, Zone: time.UTC,
			Plausible: func(clinical.Vitals) []string { return nil },
		},
		Bookmarks: st, Client: s.Client(), Clock: clock,
		Wait: func(context.Context, time.Duration) error { return nil },
	}
}

func weight(n int) string {
	return fmt.Sprintf(`{"resourceType":"Observation","id":"w%d","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},
		"subject":{"reference":"Patient/P"},"encounter":{"reference":"Encounter/E"},"effectiveDateTime":"2026-11-25T08:%02d:00Z",
		"valueQuantity":{"value":%d,"code":"kg","system":"http://unitsofmeasure.org"}}`, n, n, 70+n)
}

func (s *server) fill() {
	s.add(240, `{"resourceType":"Patient","id":"P","name":[{"family":"Tanoueva"}]}`)
	s.add(240, `{"resourceType":"Encounter","id":"E","status":"in-progress","class":{"code":"IMP"},"subject":{"reference":"Patient/P"},
		"period":{"start":"2026-11-25T07:00:00Z"}}`)
	for n := range 5 {
		s.add(200-10*n, weight(n))
	}
}

// weights are the weights of the stay, by identity.
func weights(t *testing.T, st *store.Store) string {
	t.Helper()
	all, err := st.Versions(t.Context(), []string{"E"})
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, r := range clinical.ChartAt("E", all["E"], now).Records {
		if b, ok := r.Body.(clinical.Weight); ok {
			out = append(out, fmt.Sprintf("%s=%g", strings.TrimPrefix(r.SourceID, "Observation/"), b.KG))
		}
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

// eachEngine runs a test on an empty store of each engine.
func eachEngine(t *testing.T, test func(*testing.T, func() *store.Store)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { test(t, func() *store.Store { return teststore.Empty(t) }) })
	t.Run("postgres", func(t *testing.T) {
		test(t, func() *store.Store { return teststore.EmptyOnPostgres(t) })
	})
}

func TestAServerIsReadToItsEndAndFromThereOn(t *testing.T) {
	eachEngine(t, func(t *testing.T, empty func() *store.Store) { readToItsEnd(t, empty()) })
}

func readToItsEnd(t *testing.T, st *store.Store) {
	s := newServer(t)
	s.fill()
	p := s.poller(t, st)
	if err := p.Poll(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := weights(t, st); got != "w0=70 w1=71 w2=72 w3=73 w4=74" || s.logins != 1 {
		t.Errorf("%s, after %d sign-ins", got, s.logins)
	}
	facts := teststore.Count(t, st, "fact_versions")
	messages := teststore.Count(t, st, "feed_messages")

	// Nothing new, by a program that starts anew: nothing is stored.
	p = s.poller(t, st)
	s.asked = nil
	for range 2 {
		if err := p.Poll(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if f := teststore.Count(t, st, "fact_versions"); f != facts {
		t.Errorf("%d facts, there were %d", f, facts)
	}
	more := teststore.Count(t, st, "feed_messages") - messages
	if more > 3 { // what is asked for again begins a minute earlier, so its page is another one, once
		t.Errorf("%d pages were stored again", more)
	}
	since := "_lastUpdated=ge" + strings.ReplaceAll(now.Add(-161*time.Minute).Format(time.RFC3339), ":", "%3A")
	if !slices.ContainsFunc(s.asked, func(a string) bool { return strings.HasPrefix(a, "Observation?") && strings.Contains(a, since) }) {
		t.Errorf("asked %v, want %s", s.asked, since)
	}

	s.add(5, weight(5))
	if err := p.Poll(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := weights(t, st); got != "w0=70 w1=71 w2=72 w3=73 w4=74 w5=75" {
		t.Error(got)
	}
}

func TestAPollResumesWhereItStopped(t *testing.T) {
	eachEngine(t, resumes)
}

func resumes(t *testing.T, empty func() *store.Store) {
	for _, unsorted := range []bool{false, true} {
		s, st := newServer(t), empty()
		s.fill()
		s.unsorted = unsorted
		p := s.poller(t, st)
		waits, pages := 0, 0
		p.Wait = func(context.Context, time.Duration) error {
			waits++
			if waits == 4 {
				return context.Canceled // stopped in the middle
			}
			return nil
		}
		real := p.Client.Transport
		p.Client.Transport = transport(func(r *http.Request) (*http.Response, error) {
			if strings.HasSuffix(r.URL.Path, "/Observation") {
				if pages++; pages > 1 {
					s.failures = 1
				}
			}
			return real.RoundTrip(r)
		})
		if err := p.Poll(t.Context()); err == nil {
			t.Fatal("a server that fails is no error")
		}
		if got := weights(t, st); strings.Count(got, "=") != 2 {
			t.Errorf("after one page: %s", got)
		}
		p.Client.Transport, s.failures = real, 0
		if err := s.poller(t, st).Poll(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := weights(t, st); got != "w0=70 w1=71 w2=72 w3=73 w4=74" {
			t.Errorf("unsorted %v: %s", unsorted, got)
		}
	}
}

type transport func(*http.Request) (*http.Response, error)

func (t transport) RoundTrip(r *http.Request) (*http.Response, error) { return t(r) }

func TestFailuresAreTriedAgainAndSaidInTheEnd(t *testing.T) {
	s, st := newServer(t), teststore.Empty(t)
	s.fill()
	var waits []time.Duration
	p := s.poller(t, st)
	p.Wait = func(_ context.Context, d time.Duration) error { waits = append(waits, d); return nil }
	s.failures = 4
	if err := p.Poll(t.Context()); err != nil || fmt.Sprint(waits) != "[7s 7s 7s 8s]" { // Retry-After, and twice as long each time
		t.Errorf("%v, waits %v", err, waits)
	}
	s.failures = 1000
	if err := p.Poll(t.Context()); err == nil || !strings.Contains(err.Error(), "Location: the server answers 503") {
		t.Errorf("%v", err)
	}
	s.failures, s.logins = 0, 7 // the token does not hold any more
	s.jtis = map[string]bool{}
	if err := p.Poll(t.Context()); err != nil || s.logins != 8 {
		t.Errorf("%v, %d sign-ins", err, s.logins)
	}
	s.add(1, weight(6))
	s.add(1, weight(7))
	s.add(1, weight(8))
	s.elsewhere = "https://elsewhere.example/fhir/Observation"
	if err := p.Poll(t.Context()); err == nil || !strings.Contains(err.Error(), "it is not followed") {
		t.Errorf("a page of another server: %v", err)
	}
}

func TestAddressesAndKeysAreChecked(t *testing.T) {
	for text, ok := range map[string]bool{
		"https://ehr.example/fhir": true, "http://127.0.0.1:8000/fhir": true, "http://localhost/fhir": true,
		"http://ehr.example/fhir": false, "ehr.example": false, "": false, "ftp://x/": false,
	} {
		if err := smart.CheckURL(text); (err == nil) != ok {
			t.Errorf("%s: %v", text, err)
		}
	}
	if _, _, err := smart.ReadKey([]byte("nonsense")); err == nil {
		t.Error("nonsense is taken for a key")
	}
}

// A server that does not offer types without which a site can do is read to its end all the same; one
// that refuses what was read before, or the visits, is not.
func TestTypesThatAServerDoesNotOffer(t *testing.T) {
	s := newServer(t)
	s.fill()
	s.add(190, `{"resourceType":"Practitioner","id":"D","name":[{"family":"Cole","given":["Ann"]}]}`)
	st := teststore.Empty(t)
	p := s.poller(t, st)
	s.denied = map[string]bool{"AdverseEvent": true, "Flag": true}
	if err := p.Poll(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(s.asked, func(q string) bool { return strings.HasPrefix(q, "Practitioner?") }) {
		t.Error("who gives clearances is not asked for")
	}
	for _, kind := range []string{"Encounter", "Practitioner"} {
		s.denied = map[string]bool{kind: true}
		if err := p.Poll(t.Context()); err == nil || !strings.Contains(err.Error(), kind) || !strings.Contains(err.Error(), "403") {
			t.Errorf("%s is refused, and the poll says %v", kind, err)
		}
	}
}
