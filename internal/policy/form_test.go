package policy

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
)

// unlike is a policy that differs from the default in a value of each kind.
func unlike() clinical.Policy {
	p := clinical.DefaultPolicy()
	p.Recheck.FallHours = 2.5
	p.Recheck.AtRiskAge = 70
	p.Sets.Comparison = clinical.MoreThan
	p.Precautions.InFeed = false
	p.Precautions.Bundle = []string{"gait belt", "assisted rising"}
	p.Precautions.Added = []string{}
	p.Drugs.OfNoConcern = []string{"vitamin: C # 1", "007", "yes"}
	p.Unit.Huddle = "06:45"
	return p
}

func TestAFormReadsBackWhatItShows(t *testing.T) {
	for _, p := range []clinical.Policy{clinical.DefaultPolicy(), unlike()} {
		got, problems := ReadForm(Values(p))
		if diff := cmp.Diff(loaded(p), got); diff != "" || len(problems) > 0 {
			t.Errorf("the form reads back otherwise: %v\n%s", problems, diff)
		}
		short, err := Load([]byte(Short(p)))
		if diff := cmp.Diff(loaded(p), short); diff != "" || err != nil {
			t.Errorf("the short file reads back otherwise: %v\n%s", err, diff)
		}
	}
}

func TestAFormShowsEveryKeyInWords(t *testing.T) {
	n := 0
	for _, s := range Form(unlike()) {
		if s.Says == "" {
			t.Errorf("section %s says nothing", s.Name)
		}
		for _, f := range s.Fields {
			n++
			if !strings.HasPrefix(f.Path, s.Name+".") || f.Default == "" || f.Shown == "" || f.Changed == (f.Shown == f.Default) {
				t.Errorf("field %+v", f)
			}
			if !strings.Contains(f.Comment, "Source: ") || !strings.Contains(f.Comment, "Range: ") {
				t.Errorf("%s is explained as %q", f.Path, f.Comment)
			}
			if single := f.Kind == OneValue || f.Kind == OneOf; single == (f.Value == "") {
				t.Errorf("%s of kind %s has the value %q", f.Path, f.Kind, f.Value)
			}
		}
	}
	if n != len(keys) {
		t.Errorf("%d fields for %d keys", n, len(keys))
	}
}

func TestAFormIsHeldToTheRulesOfAFile(t *testing.T) {
	tests := []struct {
		path   string
		values []string
		want   string // of the problem
	}{
		{"recheck.fall_hours", []string{"999"}, "out of range (allowed: 0.5 to 336 h)"},
		{"recheck.fall_hours", nil, "no value (allowed: 0.5 to 336 h)"},
		{"recheck.fall_hours", []string{" "}, "no value"},
		{"recheck.fall_hours", []string{"4 h"}, "not a plain number"},
		{"recheck.fall_hours", []string{"4\nstopped_hours: 300"}, "not a plain number"},
		{"recheck.fall_hours", []string{"0x10"}, "not a plain number"},
		{"recheck.fall_hours", []string{"null"}, "no value"},
		{"recheck.fall_hours", []string{"4", "5"}, "not a plain number"},
		{"recheck.at_risk_age", []string{"65.5"}, "not a whole number"},
		{"sets.comparison", []string{"about"}, "at_least or more_than"},
		{"precautions.in_feed", []string{"perhaps"}, "yes or no"},
		{"precautions.bundle", []string{"prayer"}, "prayer"},
		{"drugs.of_no_concern", []string{strings.Repeat("x", 101)}, "100 characters"},
		{"unit.huddle", []string{"24:00"}, "00:00 to 23:59"},
		{"recheck.positive_hours", []string{"48"}, "positive_stable_hours"},
	}
	for _, tc := range tests {
		values := Values(clinical.DefaultPolicy())
		values[tc.path] = tc.values
		got, problems := ReadForm(values)
		if len(problems) != 1 || got.Hash != "" || problems[0].Line != 0 || !strings.Contains(SaidProblem(problems[0]), tc.want) {
			t.Errorf("%s %q: %+v, want one problem with %q", tc.path, tc.values, problems, tc.want)
		}
	}
	if _, problems := ReadForm(nil); len(problems) < 50 {
		t.Errorf("an empty form has %d problems", len(problems))
	}
}

func TestDifferencesAreBetweenTwoPolicies(t *testing.T) {
	before, after := unlike(), unlike()
	after.Recheck.FallHours = 8
	after.Precautions.Bundle = []string{"gait belt", "sitter"}
	got := Differences(before, after)
	want := []Change{
		{Path: "recheck.fall_hours", Is: "8 h", Was: "2.5 h"},
		{
			Path: "precautions.bundle", Is: "gait belt, sitter", Was: "gait belt, assisted rising", List: true,
			With: []string{"sitter"}, Without: []string{"assisted rising"},
		},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("differences (-want +got):\n%s", diff)
	}
	if got := Differences(before, before); got != nil {
		t.Errorf("a policy differs from itself: %+v", got)
	}
}

func TestASwitchAndAPin(t *testing.T) {
	one, two := Default(), loaded(unlike())
	s := NewSwitch(one)
	pinned := Pin(t.Context(), s.Current())
	s.Set(two)
	got := fmt.Sprint(For(pinned, s).Hash == one.Hash, For(t.Context(), s).Hash == two.Hash, For(t.Context(), one).Hash == one.Hash)
	if got != "true true true" {
		t.Errorf("pinned, switched, fixed: %s", got)
	}
}
