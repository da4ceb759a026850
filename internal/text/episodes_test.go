package text

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

var episodeTime = time.Date(2026, 11, 20, 8, 5, 0, 0, time.UTC)

func TestEveryRuleOfAnEpisodeHasASentence(t *testing.T) {
	c := Catalogue{Zone: time.UTC, At: episodeTime.Add(3 * time.Hour)}
	cases := []struct {
		rule    string
		figures clinical.Figures
		want    string
	}{
		{alerts.RFall, alerts.RecheckFigures{DueAt: episodeTime, Rule: alerts.RFall, State: alerts.Overdue},
			"Recheck overdue since 20 Nov 08:05 (3 h ago): after a fall."},
		{alerts.RDrug, alerts.RecheckFigures{DueAt: episodeTime, Rule: alerts.RDrug, State: alerts.Overdue, Drug: "furosemide", Change: "raised"},
			"Recheck overdue since 20 Nov 08:05 (3 h ago): after furosemide was raised."},
		{alerts.TPrecaution, alerts.MissingFigures{Missing: []string{"bed alarm", "assisted rising"}},
			"Falls precautions missing: bed alarm, assisted rising."},
		{alerts.TFall, alerts.FellFigures{FellAt: episodeTime, Injury: "none"},
			"Fell 20 Nov 08:05 (3 h ago), no injury; no orthostatic set that can be read since."},
		{episodes.CImplausible, episodes.ImplausibleFigures{SetAt: episodeTime},
			"The set of 20 Nov 08:05 holds a value that cannot be; it was left out. Correct it, or repeat the set."},
		{episodes.CFatal, episodes.FatalFigures{FellAt: episodeTime, SetAt: episodeTime.Add(time.Hour)},
			"A fall of 20 Nov 08:05 is charted as fatal, and a set was taken at 20 Nov 09:05. One of them is wrong."},
		{episodes.CBefore, episodes.BeforeFigures{FellAt: episodeTime, AdmittedAt: episodeTime.Add(time.Hour)},
			"A fall of this stay is timed 20 Nov 08:05, before the admission at 20 Nov 09:05. Correct one of them."},
		{episodes.CEnded, episodes.EndedFigures{What: "bed alarm", From: episodeTime.Add(time.Hour), To: episodeTime},
			"The precaution bed alarm ended at 20 Nov 08:05, before it began at 20 Nov 09:05; it counts as not in place. Correct it."},
		{episodes.CTwice, episodes.TwiceFigures{OtherBed: "4", Bed: "", AdmittedAt: episodeTime},
			"The patient is on the list twice: in bed 4, and in a bed not named since 20 Nov 08:05. End the stay that is over."},
		{episodes.CFeed, episodes.FeedFigures{Feed: "feed folder", Why: "the folder cannot be read", Since: &episodeTime},
			"The feed folder is not read as it should be: the folder cannot be read. Last data 20 Nov 08:05 (3 h ago)."},
		{episodes.CFeed, episodes.FeedFigures{Feed: "feed folder", Why: "the folder cannot be read."},
			"The feed folder is not read as it should be: the folder cannot be read."},
	}
	for _, tc := range cases {
		// As the store gives them back.
		body, err := json.Marshal(tc.figures)
		if err != nil {
			t.Fatal(err)
		}
		kept, err := records.ReadFigures(episodes.KeptRules, tc.rule, body)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.EpisodeWhy(tc.rule, kept); got != tc.want {
			t.Errorf("%s:\n got %s\nwant %s", tc.rule, got, tc.want)
		}
	}
	for _, kind := range episodes.Kinds {
		if EpisodeKinds[kind] == "" {
			t.Errorf("%s has no name", kind)
		}
		for _, reason := range episodes.Closings[kind] {
			if ClosingReasons[reason] == "" {
				t.Errorf("the reason %s has no words", reason)
			}
		}
	}
}

func TestWhatEachEventSays(t *testing.T) {
	c := Catalogue{Zone: time.UTC, At: episodeTime.Add(3 * time.Hour)}
	for want, v := range map[string]records.EpisodeEvent{
		"Opened. Falls precautions missing: bed alarm.": {What: episodes.Opened, Rule: alerts.TPrecaution, Figures: alerts.MissingFigures{Missing: []string{"bed alarm"}}},
		"Taken by mb.":                                                                       {What: episodes.TakenOn, Who: "mb"},
		"Given back by mb: going home.":                                                      {What: episodes.Released, Who: "mb", Reason: "going home."},
		"Put off by mb until 20 Nov 08:05: asleep.":                                          {What: episodes.PutOff, Who: "mb", Until: episodeTime, Reason: "asleep"},
		"Closed by mb: the provider was told.":                                               {What: episodes.Closed, Who: "mb", Reason: episodes.ProviderTold},
		"Closed by mb: another reason (seen at the bedside).":                                {What: episodes.Closed, Who: "mb", Reason: episodes.OtherReason, Note: "seen at the bedside."},
		"Done: a set that can be read was taken, 20 Nov 08:05.":                              {What: episodes.Ended, Reason: episodes.SetDone, Figures: episodes.Evidence{SetAt: episodeTime}},
		"Done: cleared to stand by Dr A, 20 Nov 08:05.":                                      {What: episodes.Ended, Reason: episodes.Cleared, Figures: episodes.Evidence{ClearedAt: episodeTime, ClearedBy: "Dr A"}},
		"Done: cleared to stand by somebody whose name is not charted, 20 Nov 08:05.":        {What: episodes.Ended, Reason: episodes.Cleared, Figures: episodes.Evidence{ClearedAt: episodeTime}},
		"Done: a set shows that the patient stands; no clearance was charted, 20 Nov 08:05.": {What: episodes.Ended, Reason: episodes.StoodSince, Figures: episodes.Evidence{SetAt: episodeTime}},
		"Done: the patient left the unit.":                                                   {What: episodes.Ended, Reason: episodes.LeftUnit},
		"Handed on with the patient to unit 7E.":                                             {What: episodes.Moved, Unit: "7E"},
		"Given to Ann by mb.":                                                                {What: episodes.Given, Who: "mb", Name: "Ann"},
		"Told Dr A at 20 Nov 08:05, says mb: by telephone.":                                  {What: episodes.ToldOf, Who: "mb", Name: "Dr A", ToldAt: episodeTime, Note: "by telephone."},
		"Open again: mb took back the dose review that closed it: wrong patient.":            {What: episodes.ReviewBack, Who: "mb", Note: "wrong patient."},
		"Answered by mb: the patient declined; charted.":                                     {What: episodes.AnswerGiven, Who: "mb", Reason: episodes.Declined},
		"Put off by an answer on the chart: declined, ask again from 20 Nov 08:05.":          {What: episodes.AnswerMoved, Reason: "declined", Until: episodeTime},
	} {
		if got := c.EpisodeEvent(v); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	for _, what := range []records.EpisodeWhat{episodes.Reopened, episodes.Resumed, episodes.DeferralOver} {
		if got := c.EpisodeEvent(records.EpisodeEvent{What: what}); !strings.HasPrefix(got, "Open") {
			t.Errorf("%s says %q", what, got)
		}
	}
}

// Taking or putting off hides no age.
func TestEveryStateOwedShowsItsAge(t *testing.T) {
	c := Catalogue{Zone: time.UTC, At: episodeTime.Add(3 * time.Hour)}
	e := records.Episode{RaisedAt: episodeTime, ChangedAt: episodeTime.Add(time.Hour), Who: "mb", Until: c.At.Add(time.Hour), Told: []string{"4W"}}
	for _, state := range []records.EpisodeState{episodes.Open, episodes.Assigned, episodes.Taken, episodes.Deferred, episodes.Told} {
		e.State = state
		if got := c.EpisodeState(e); !strings.HasSuffix(got, "; owed for 3 h") {
			t.Errorf("%s: %q does not end with its age", state, got)
		}
	}
	e.State, e.Reason = episodes.Answered, "declined"
	if got, want := c.EpisodeState(e), "Answered: declined, ask again from 20 Nov 12:05"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	e.State, e.Ending, e.Reason, e.Note = episodes.Done, episodes.ByPerson, episodes.ProviderTold, "by telephone"
	if got, want := c.EpisodeState(e), "Closed by mb 20 Nov 09:05: the provider was told (by telephone)"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// What the evidence ended is said in words in the row too, not as the code of its reason.
func TestWhatWasDoneIsSaidInWords(t *testing.T) {
	e := records.Episode{State: episodes.Done, Who: "program", Reason: episodes.SetDone, ChangedAt: episodeTime}
	got := catalogue().ThingBrief(episodes.Thing{Episode: e}, true)
	if !strings.HasSuffix(got, "(by program): a set that can be read was taken") {
		t.Error(got)
	}
}

func TestAnEpisodePutOffSaysWhomWasTold(t *testing.T) {
	e := records.Episode{State: episodes.Deferred, Who: "mb", Until: episodeTime.Add(time.Hour),
		ToldWhom: "Dr A", ToldAt: episodeTime}
	if got, want := sayBriefs[e.State](Catalogue{Zone: time.UTC, At: episodeTime}, e), "told Dr A at 20 Nov 08:05; put off by mb until "; !strings.HasPrefix(got, want) {
		t.Errorf("%q does not begin with %q", got, want)
	}
}
