package assess_test

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/report"
)

// secondAnswer is what a second implementation of the rules answered for one
// moment; see docs/adr/0009-a-second-implementation.md.
type secondAnswer struct {
	AsOf  string         `json:"as_of"`
	Lists []any          `json:"lists"`
	Sets  map[string]any `json:"sets"`
}

// Every figure, word, order and rank equals that of an implementation which was
// written from the rules alone by somebody who had not seen this one. The feed is
// drawn at random to reach the edges of every rule; the answers are frozen. Only
// sentences and the lists of facts are left out.
func TestASecondImplementationAnswersAlike(t *testing.T) {
	feed := readFeed(t, "testdata/second/feed", time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC))
	s := &assess.Service{Store: feed, Policy: policy.Default(), Zone: time.UTC}
	compared := 0
	for _, answer := range secondAnswers(t) {
		at, err := time.Parse(time.RFC3339, answer.AsOf)
		if err != nil {
			t.Fatal(err)
		}
		for _, list := range answer.Lists {
			unit := list.(map[string]any)["unit"].(string)
			own, err := s.List(context.Background(), unit, at)
			if err != nil {
				t.Fatal(err)
			}
			compared += len(own)
			alike(t, unit+" at "+answer.AsOf, list, report.ListOf(unit, "", clinical.DefaultPolicy().Unit, own, s.Catalogue(at)))
		}
		versions, err := feed.Versions(context.Background(), feed.Stays())
		if err != nil {
			t.Fatal(err)
		}
		for stay, sets := range answer.Sets {
			c := clinical.ChartAt(stay, versions[stay], at)
			alike(t, "sets of "+stay+" at "+answer.AsOf, sets, report.SetsOf(stay, s.Digest(c).Sets))
		}
	}
	if compared < 100 {
		t.Fatalf("only %d patients compared", compared)
	}
}

func readFeed(t *testing.T, dir string, now time.Time) *assesstest.Memory {
	t.Helper()
	m := &assesstest.Memory{}
	files, err := filepath.Glob(dir + "/*.csv")
	if err != nil || len(files) == 0 {
		t.Fatalf("no feed in %s: %v", dir, err)
	}
	for _, path := range files {
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Read(f, filepath.Base(path), time.UTC, now); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		_ = f.Close()
	}
	return m
}

func secondAnswers(t *testing.T) (answers []secondAnswer) {
	t.Helper()
	f, err := os.Open("testdata/second/answers.json.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.NewDecoder(z).Decode(&answers); err != nil {
		t.Fatal(err)
	}
	return answers
}

func alike(t *testing.T, what string, second, own any) {
	t.Helper()
	written, err := json.Marshal(own)
	if err != nil {
		t.Fatal(err)
	}
	var read any
	if err := json.Unmarshal(written, &read); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(plain("", second), plain("", read), cmpopts.EquateApprox(1e-9, 1e-12)); d != "" {
		t.Errorf("%s: the second (-) and this one (+) differ:\n%s", what, d)
	}
}

// plain leaves out sentences and lists of facts, writes "" as null, and sorts
// lists whose order means nothing.
func plain(key string, v any) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, inner := range v {
			switch k {
			case "text", "evidence", "note", "facts", "policy":
			case "around_doses", "last_given": // newer than the frozen answers
			case "flag": // the second implementation's name of a flag's rule
				out["rule"] = inner
			default:
				out[k] = plain(k, inner)
			}
		}
		return out
	case []any:
		out := make([]any, len(v))
		for n, inner := range v {
			out[n] = plain("", inner)
		}
		switch key {
		case "symptoms", "in_place", "drugs", "load_left_out", "unrecognised_drugs", "last_doses", "contributors":
			slices.SortFunc(out, func(a, b any) int { return strings.Compare(sortKey(a), sortKey(b)) })
		}
		return out
	case float64: // pressures charted in kPa are given to one decimal since
		if key == "systolic" || key == "diastolic" {
			return math.Round(v*10) / 10
		}
	case string:
		switch v {
		case "":
			return nil
		case "not ambulatory", "charted not ambulatory: cannot stand for a set":
			return "not ambulatory"
		}
	}
	return v
}

func sortKey(v any) string {
	if m, ok := v.(map[string]any); ok {
		for _, k := range []string{"drug", "kind"} {
			if s, ok := m[k].(string); ok {
				return s
			}
		}
	}
	s, _ := v.(string)
	return s
}
