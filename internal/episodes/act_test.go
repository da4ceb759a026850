package episodes_test

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
)

// Every state against every verb, by who has taken it and by somebody else.
func TestTableOfActions(t *testing.T) {
	actions := map[string]episodes.Action{
		"take":      {Do: episodes.Take},
		"take over": {Do: episodes.TakeOver},
		"release":   {Do: episodes.Release},
		"defer":     {Do: episodes.Defer, Reason: "asleep", Until: after(9)},
		"close":     {Do: episodes.Close, Reason: "refused"},
	}
	want := map[string]map[string][2]string{ // by mb, by another: the state after it, or the words of the refusal
		"open": {
			"take": {"taken", "taken"}, "take over": {"take it", "take it"}, "release": {"only who has taken", "only who has taken"},
			"defer": {"deferred", "deferred"}, "close": {"done", "done"},
		},
		"taken": {
			"take": {"you have taken this already", "mb has taken this"}, "take over": {"nobody else", "taken"},
			"release": {"open", "only who has taken"}, "defer": {"deferred", "mb has taken this"}, "close": {"done", "mb has taken this"},
		},
		"deferred": {
			"take": {"taken", "taken"}, "take over": {"take it", "take it"}, "release": {"only who has taken", "only who has taken"},
			"defer": {"deferred", "deferred"}, "close": {"done", "done"},
		},
	}
	for verb := range actions {
		for _, state := range []string{"done by evidence", "done by a person"} {
			if want[state] == nil {
				want[state] = map[string][2]string{}
			}
			want[state][verb] = [2]string{"done already", "done already"}
		}
	}
	for state, byVerb := range want {
		for verb, a := range actions {
			for n, who := range []string{"mb", "jk"} {
				w := newWard(t)
				reached[state](w)
				a.Who = who
				tr, err := episodes.Act(w.only(), a, after(2))
				expect := byVerb[verb][n]
				if strings.Contains(expect, " ") {
					if clinical.CodeOf(err) != clinical.Conflict || !strings.Contains(err.Error(), expect) {
						t.Errorf("%s, %s by %s: %v, want a conflict: %s", state, verb, who, err, expect)
					}
					continue
				}
				if err != nil || string(tr.Episode.State) != expect {
					t.Errorf("%s, %s by %s: %q, %v, want %q", state, verb, who, tr.Episode.State, err, expect)
					continue
				}
				if tr.Event.Who != who || tr.Event.Tells || tr.Event.Reason != a.Reason {
					t.Errorf("%s, %s by %s: the event is %+v", state, verb, who, tr.Event)
				}
				w.keep(tr)
				if got := episodes.Replay(w.log); got.State != tr.Episode.State || got.Who != tr.Episode.Who {
					t.Errorf("%s, %s by %s: the history gives %q", state, verb, who, got.State)
				}
			}
		}
	}
}

func TestWhatAnActionLacks(t *testing.T) {
	long := strings.Repeat("é", 501)
	cases := []struct {
		name string
		kind episodes.Kind
		a    episodes.Action
		want string
	}{
		{"nobody", episodes.DoseReview, episodes.Action{Do: episodes.Take, Who: " "}, "nobody is named"},
		{"the program's name", episodes.DoseReview, episodes.Action{Do: episodes.Take, Who: episodes.Program}, "nobody is named"},
		{"an unknown verb", episodes.DoseReview, episodes.Action{Do: "hush", Who: "mb"}, `no action "hush"`},
		{"closing, no reason", episodes.DoseReview, episodes.Action{Do: episodes.Close, Who: "mb", Reason: " \t"}, "needs a reason"},
		{"too long", episodes.DoseReview, episodes.Action{Do: episodes.Close, Who: "mb", Reason: long}, "longer than 500"},
		{"putting off, no reason", episodes.DoseReview, episodes.Action{Do: episodes.Defer, Who: "mb", Until: after(1)}, "needs a reason"},
		{"putting off, no end", episodes.DoseReview, episodes.Action{Do: episodes.Defer, Who: "mb", Reason: "x"}, "needs an end"},
		{"an end that is now", episodes.DoseReview, episodes.Action{Do: episodes.Defer, Who: "mb", Reason: "x", Until: after(0)}, "has passed"},
	}
	for _, tc := range cases {
		_, err := episodes.Act(episodes.Episode{Kind: tc.kind, State: episodes.Open}, tc.a, after(0))
		if clinical.CodeOf(err) != clinical.Invalid || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want %s", tc.name, err, tc.want)
		}
	}
	for _, kind := range episodes.Kinds {
		longest := episodes.Longest[kind]
		if longest <= 0 {
			t.Fatalf("%s can be put off for ever", kind)
		}
		for _, d := range []time.Duration{longest, longest + time.Second} {
			_, err := episodes.Act(episodes.Episode{Kind: kind, State: episodes.Open},
				episodes.Action{Do: episodes.Defer, Who: "mb", Reason: "x", Until: start.Add(d)}, start)
			if (err == nil) != (d == longest) {
				t.Errorf("%s put off for %s: %v", kind, d, err)
			}
		}
	}
	if _, err := episodes.Act(episodes.Episode{Kind: episodes.DoseReview, State: episodes.Open},
		episodes.Action{Do: episodes.Close, Who: "mb", Reason: long[2:]}, start); err != nil {
		t.Errorf("a reason of 500 characters: %v", err)
	}
}
