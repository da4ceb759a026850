package episodes_test

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// Every state against every verb, by who has taken it and by somebody else.
func TestTableOfActions(t *testing.T) {
	actions := map[string]episodes.Action{
		"take":      {Do: episodes.Take},
		"take over": {Do: episodes.TakeOver},
		"release":   {Do: episodes.Release},
		"defer":     {Do: episodes.Defer, Reason: "asleep", Until: after(9)},
		"close":     {Do: episodes.Close, Reason: episodes.Declined, Note: "twice"},
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
				if tr.Event.Who != who || tr.Event.Tells || tr.Event.Reason != a.Reason || tr.Event.Note != a.Note || tr.Episode.Note != a.Note {
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
		kind records.EpisodeKind
		a    episodes.Action
		want string
	}{
		{"nobody", episodes.DoseReview, episodes.Action{Do: episodes.Take, Who: " "}, "nobody is named"},
		{"the program's name", episodes.DoseReview, episodes.Action{Do: episodes.Take, Who: records.Program}, "nobody is named"},
		{"an unknown verb", episodes.DoseReview, episodes.Action{Do: "hush", Who: "mb"}, `no action "hush"`},
		{"closing, no reason", episodes.DoseReview, episodes.Action{Do: episodes.Close, Who: "mb", Reason: " \t"}, "needs a reason"},
		{"too long", episodes.DoseReview, episodes.Action{Do: episodes.Release, Who: "mb", Reason: long}, "longer than 500"},
		{"a note too long", episodes.DoseReview, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.Reviewed, Note: long}, "longer than 500"},
		{"closing for no reason of the list", episodes.DoseReview, episodes.Action{Do: episodes.Close, Who: "mb", Reason: "done"}, "one of its reasons"},
		{"closing for another kind's reason", episodes.DoseReview, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.KnownOutage}, "one of its reasons"},
		{"another reason, not said", episodes.DoseReview, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.OtherReason, Note: " "}, "needs a note"},
		{"putting off, no reason", episodes.DoseReview, episodes.Action{Do: episodes.Defer, Who: "mb", Until: after(1)}, "needs a reason"},
		{"putting off, no end", episodes.DoseReview, episodes.Action{Do: episodes.Defer, Who: "mb", Reason: "x"}, "needs an end"},
		{"an end that is now", episodes.DoseReview, episodes.Action{Do: episodes.Defer, Who: "mb", Reason: "x", Until: after(0)}, "has passed"},
	}
	for _, tc := range cases {
		_, err := episodes.Act(records.Episode{Kind: tc.kind, State: episodes.Open}, tc.a, after(0))
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
			_, err := episodes.Act(records.Episode{Kind: kind, State: episodes.Open},
				episodes.Action{Do: episodes.Defer, Who: "mb", Reason: "x", Until: start.Add(d)}, start)
			if (err == nil) != (d == longest) {
				t.Errorf("%s put off for %s: %v", kind, d, err)
			}
		}
	}
	if _, err := episodes.Act(records.Episode{Kind: episodes.DoseReview, State: episodes.Open},
		episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.OtherReason, Note: long[2:]}, start); err != nil {
		t.Errorf("a note of 500 characters: %v", err)
	}
}

// Every kind can be closed for each of its reasons, each named once; a clearance for none:
// it is the provider's to give, and T-CLEARANCE keeps it on the list while standing is blocked.
func TestReasonsOfClosing(t *testing.T) {
	for _, kind := range episodes.Kinds {
		if kind == episodes.ClearanceOwed {
			continue // TestNobodyClosesAClearance
		}
		seen := map[string]bool{}
		for _, reason := range episodes.Closings[kind] {
			_, err := episodes.Act(records.Episode{Kind: kind, State: episodes.Open},
				episodes.Action{Do: episodes.Close, Who: "mb", Reason: reason, Note: "x"}, start)
			if err != nil || seen[reason] {
				t.Errorf("%s closed for %s: %v, or named twice", kind, reason, err)
			}
			seen[reason] = true
		}
		if !seen[episodes.OtherReason] || len(seen) < 3 {
			t.Errorf("%s has the reasons %v", kind, episodes.Closings[kind])
		}
	}
}

// Whoever acts on what has changed since they saw it is told so first, whatever
// else is wrong.
func TestWhatWasSeenMustStillStand(t *testing.T) {
	for state, reach := range reached {
		if state == "none" {
			continue
		}
		for _, verb := range []episodes.Verb{episodes.Take, episodes.TakeOver, episodes.Release, episodes.Defer, episodes.Close} {
			for _, off := range []int{-1, 1} {
				w := newWard(t)
				reach(w)
				e := w.only()
				_, err := episodes.Act(e, episodes.Action{Do: verb, Who: "mb", Seen: e.Events + off}, after(2))
				if seen := e.Events + off; seen != 0 && (clinical.CodeOf(err) != clinical.Conflict || !strings.Contains(err.Error(), "since you saw it")) {
					t.Errorf("%s, %s with %d of %d events seen: %v", state, verb, seen, e.Events, err)
				}
			}
		}
	}
	w := newWard(t)
	reached["open"](w)
	if _, err := episodes.Act(w.only(), episodes.Action{Do: episodes.Take, Who: "mb", Seen: 1}, after(2)); err != nil {
		t.Errorf("nothing has changed since: %v", err)
	}
}

// T-CLEARANCE stands while standing is blocked: no reason closes it, and one that was closed
// when that could be done is owed again.
func TestNobodyClosesAClearance(t *testing.T) {
	for _, reason := range []string{
		episodes.NotSuitable, episodes.ChartedWrongly, episodes.OtherReason, episodes.Declined, episodes.DoneUncharted, episodes.Reviewed,
	} {
		_, err := episodes.Act(records.Episode{Kind: episodes.ClearanceOwed, State: episodes.Open},
			episodes.Action{Do: episodes.Close, Who: "mb", Reason: reason, Note: "x"}, start)
		if clinical.CodeOf(err) != clinical.Invalid || !strings.Contains(err.Error(), "provider clears the patient") {
			t.Errorf("closed for %s: %v", reason, err)
		}
	}
	owed := episodes.Condition{Kind: episodes.ClearanceOwed, StayID: "S", Trigger: "clearance after fall F", Rule: alerts.TClearance, Opens: true}
	closed := records.Episode{
		ID: owed.ID(), Kind: owed.Kind, StayID: "S", Trigger: owed.Trigger, Unit: "4W", State: episodes.Done,
		Ending: episodes.ByPerson, Told: []string{"4W"}, Events: 2, ChangedAt: start,
	}
	scene := episodes.Scene{At: after(1), Unit: "4W", Stays: map[string]episodes.Presence{"S": {}}, Holds: []episodes.Condition{owed}}
	done := episodes.Step([]records.Episode{closed}, scene)
	if len(done) != 1 || done[0].Episode.State != episodes.Open {
		t.Errorf("closed before, and blocked still: %+v", done)
	}
}

func TestWhomWasToldStaysWhileItIsPutOff(t *testing.T) {
	told := records.EpisodeEvent{What: episodes.ToldOf, To: episodes.Told, Who: "mb", Name: "Dr A", ToldAt: start}
	off := records.EpisodeEvent{What: episodes.PutOff, To: episodes.Deferred, Who: "zs", Until: start.Add(time.Hour)}
	if e := episodes.Replay([]records.EpisodeEvent{told, off}); e.ToldWhom != "Dr A" || !e.ToldAt.Equal(start) || e.Who != "zs" {
		t.Errorf("told %q at %v, put off by %q", e.ToldWhom, e.ToldAt, e.Who)
	}
	over := records.EpisodeEvent{What: episodes.DeferralOver, To: episodes.Open}
	if e := episodes.Replay([]records.EpisodeEvent{told, off, over}); e.ToldWhom != "" {
		t.Errorf("once it is open again, %q still counts as told", e.ToldWhom)
	}
}
