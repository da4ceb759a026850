package app

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/dosereview"
	"plumbline/internal/drill"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest"
	"plumbline/internal/policy"
	"plumbline/internal/records"
)

// What each story of the demo unit owes at its moment, beside its place on the list.
var demoEpisodes = map[string]string{
	"S101": "fall_without_set precautions_missing recheck_overdue", // fell last night
	"S102": "clearance_owed",                                       // nobody stands the patient before the provider clears the injury
	// Rechecks that fall due before the next shift are owed too, and told once they are overdue.
	"S103": "dose_review precautions_missing recheck_overdue tell_provider", // stopped by faintness on an alpha-1 blocker
	"S104": "recheck_overdue tell_provider",                                 // a bleed, low on standing
	"S105": "tell_provider",                                                 // too low to stand
	"S106": "precautions_missing",                                           // a drop, and precautions missing
	"S108": "dose_review",
	"S109": "dose_review",
	"S112": "recheck_overdue",
	"S113": "recheck_overdue",
	"S114": "recheck_overdue",
	"S116": "recheck_overdue",
	"S117": "recheck_overdue", // R-VOLUME: due as long as it holds
	"S118": "dose_review recheck_overdue",
	"S120": "recheck_overdue",
	"S121": "recheck_overdue",
	"S123": "precautions_missing",
	"S201": "recheck_overdue recheck_overdue",                   // on the second unit
	"S204": "clearance_owed",                                    // likewise: an injury that is charted late
	"S205": "precautions_missing recheck_overdue tell_provider", // likewise: lost consciousness, no alarm on
	"S207": "recheck_overdue",                                   // likewise: the cuff could not read
}

func stepAll(t *testing.T, s *site, at time.Time) []records.EpisodeChange {
	t.Helper()
	done, err := s.care().StepAll(context.Background(), at)
	if err != nil {
		t.Fatal(err)
	}
	return done
}

// owed lists the kinds that are owed of each stay, on both units.
func owed(t *testing.T, s *site) map[string]string {
	t.Helper()
	kinds := map[string][]string{}
	for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
		list, err := s.care().Unit(context.Background(), unit)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range list {
			kinds[e.StayID] = append(kinds[e.StayID], string(e.Kind))
		}
	}
	out := map[string]string{}
	for stay, list := range kinds {
		slices.Sort(list)
		out[stay] = strings.Join(list, " ")
	}
	return out
}

func notices(t *testing.T, s *site) int {
	t.Helper()
	list, err := s.store.Notices(context.Background(), time.Time{}, 10000)
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}

// loadRows loads one file of rows.
func loadRows(t *testing.T, s *site, name, rows string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(rows), 0o600); err != nil {
		t.Fatal(err)
	}
	summary, err := s.loader.Load(context.Background(), []string{path}, "test")
	if err != nil || summary.Held > 0 {
		t.Fatal(err, summary.Problems)
	}
}

// The demo stories open the episodes that one would expect, each told once; read
// again, restarted or under another policy they open no other.
func TestDemoStoriesOpenTheirEpisodesOnce(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		opened := stepAll(t, s, now)
		if d := cmp.Diff(demoEpisodes, owed(t, s)); d != "" {
			t.Fatalf("owed at the anchor (-want +got):\n%s", d)
		}
		for _, tr := range opened {
			said := s.service.Catalogue(now).EpisodeWhy(tr.Event.Rule, tr.Event.Figures)
			if tr.Event.What != episodes.Opened || said == tr.Event.Rule || strings.Contains(said, "%!") || strings.Contains(said, "unknown time") {
				t.Errorf("%s of %s: %s, %q", tr.Event.Kind, tr.Event.StayID, tr.Event.What, said)
			}
		}
		told := 0 // a recheck that is not overdue yet is told to nobody
		for _, tr := range opened {
			f, recheck := tr.Event.Figures.(alerts.RecheckFigures)
			if tr.Event.Tells == (recheck && f.State != alerts.Overdue) {
				t.Errorf("%s of %s: told is %v", tr.Event.Rule, tr.Event.StayID, tr.Event.Tells)
			}
			if tr.Event.Tells {
				told++
			}
		}
		if n := notices(t, s); n != told || told < 15 {
			t.Errorf("%d notices, want one for each of %d openings that are told", n, told)
		}

		if done := stepAll(t, s, now.Add(time.Minute)); len(done) > 0 {
			t.Errorf("a minute on: %+v", done[0].Event)
		}
		again := reopenSite(t, s, now)
		feed := filepath.Join(t.TempDir(), "feed")
		if err := writeDemoFeed(feed, now); err != nil {
			t.Fatal(err)
		}
		if summary, err := again.loader.Load(context.Background(), []string{feed}, "test"); err != nil || summary.Unchanged == 0 {
			t.Fatal("the feed was not read again", err, summary)
		}
		if done := stepAll(t, again, now.Add(2*time.Minute)); len(done) > 0 {
			t.Errorf("after a restart: %+v", done[0].Event)
		}

		// Another policy ends some for as long as it is in force, and tells nobody again.
		longer := policy.Default()
		longer.Hash = "longer"
		longer.Policy.Recheck.AdmitHours, longer.Policy.Recheck.DrugHours = 72, 72
		again.service.Policy = longer
		if done := stepAll(t, again, now.Add(3*time.Minute)); len(done) == 0 {
			t.Error("the other policy changes nothing: the test shows nothing")
		}
		again.service.Policy = policy.Default()
		for _, tr := range stepAll(t, again, now.Add(4*time.Minute)) {
			if tr.Event.What != episodes.Resumed || tr.Event.Tells {
				t.Errorf("back under the first policy: %s of %s", tr.Event.What, tr.Event.StayID)
			}
		}
		if d := cmp.Diff(demoEpisodes, owed(t, again)); d != "" {
			t.Errorf("owed after it all (-want +got):\n%s", d)
		}
		if n := notices(t, again); n != told {
			t.Errorf("%d notices after it all, want %d", n, told)
		}
	})
}

// reopenSite is the same database in another program.
func reopenSite(t *testing.T, s *site, now time.Time) *site {
	t.Helper()
	p := newProcess(t, s.settings.database, now)
	other, err := p.open(context.Background(), s.settings)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(other.close)
	return other
}

// One patient's episodes from the fall to the discharge, on the real store.
func TestTheLifeOfAnEpisode(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		ctx := context.Background()
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		s.loader.Clock = func() time.Time { return now.Add(3 * time.Hour) }
		stepAll(t, s, now)
		find := func(kind records.EpisodeKind) records.Episode {
			t.Helper()
			list, err := s.care().Stay(ctx, "S101")
			if err != nil {
				t.Fatal(err)
			}
			for _, h := range list {
				if d := cmp.Diff(h.Episode, episodes.Replay(h.Events)); d != "" {
					t.Fatalf("the history of %s gives another state (-have +replayed):\n%s", h.Episode.Kind, d)
				}
				if h.Episode.Kind == kind {
					return h.Episode
				}
			}
			t.Fatalf("there is no episode %s", kind)
			panic("unreachable")
		}
		act := func(kind records.EpisodeKind, minutes int, a episodes.Action) error {
			t.Helper()
			_, err := s.care().Act(ctx, find(kind).ID, a, now.Add(time.Duration(minutes)*time.Minute))
			return err
		}
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		must(act(episodes.FallWithoutSet, 5, episodes.Action{Do: episodes.Take, Who: "mb"}))
		if err := act(episodes.FallWithoutSet, 6, episodes.Action{Do: episodes.Take, Who: "jk"}); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("taken twice: %v", err)
		}
		must(act(episodes.PrecautionsMissing, 7, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.Declined, Note: "refuses the bed alarm"}))
		if _, err := s.care().Act(ctx, "nobody", episodes.Action{Do: episodes.Close, Who: "mb", Reason: "x"}, now); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("an episode that there is not: %v", err)
		}
		if done := stepAll(t, s, now.Add(8*time.Minute)); len(done) > 0 {
			t.Errorf("nothing new, and yet %+v", done[0].Event)
		}

		stamp := func(minutes int) string { return now.Add(time.Duration(minutes) * time.Minute).Format(time.RFC3339) }
		loadRows(t, s, "vitals-late.csv", "source_id,stay_id,taken_at,systolic,diastolic,heart_rate,position,limb,minutes_in_position\n"+
			"L1,S101,"+stamp(9)+",132,74,76,lying,left arm,5\nL2,S101,"+stamp(10)+",128,74,80,standing,left arm,1\nL3,S101,"+stamp(12)+",130,74,80,standing,left arm,3\n")
		stepAll(t, s, now.Add(15*time.Minute))
		for _, kind := range []records.EpisodeKind{episodes.FallWithoutSet, episodes.RecheckOverdue} {
			if e := find(kind); e.State != episodes.Done || e.Ending != episodes.ByEvidence || e.Reason != episodes.SetDone {
				t.Errorf("%s after the set: %s, %s", kind, e.State, e.Reason)
			}
		}
		if e := find(episodes.PrecautionsMissing); e.Ending != episodes.ByPerson {
			t.Errorf("closed by a person, and a negative set brought it back: %s", e.State)
		}

		loadRows(t, s, "falls-again.csv", "source_id,stay_id,fell_at,recorded_at,injury\nF-AGAIN,S101,"+stamp(20)+","+stamp(21)+",none\n")
		stepAll(t, s, now.Add(25*time.Minute))
		if e := find(episodes.PrecautionsMissing); e.State != episodes.Open || !e.RaisedAt.Equal(now.Add(25*time.Minute)) {
			t.Errorf("a second fall is new evidence, and the episode is %s since %s", e.State, e.RaisedAt)
		}
		falls := 0
		list, err := s.care().Unit(ctx, demo.MainUnit)
		must(err)
		for _, e := range list {
			if e.StayID == "S101" && e.Kind == episodes.FallWithoutSet {
				falls++
			}
		}
		if falls != 1 {
			t.Errorf("%d falls without a set are owed, want the second one", falls)
		}
		must(act(episodes.PrecautionsMissing, 30, episodes.Action{Do: episodes.Defer, Who: "mb", Reason: "in the bath", Until: now.Add(90 * time.Minute)}))
		stepAll(t, s, now.Add(89*time.Minute))
		if e := find(episodes.PrecautionsMissing); e.State != episodes.Deferred {
			t.Errorf("put off, and %s", e.State)
		}
		stepAll(t, s, now.Add(90*time.Minute))
		if e := find(episodes.PrecautionsMissing); e.State != episodes.Open {
			t.Errorf("the deferral is over, and it is %s", e.State)
		}

		stays, err := s.service.Chart(ctx, "S101", now)
		must(err)
		loadRows(t, s, "stays-out.csv", "stay_id,patient_id,unit,admitted_at,discharged_at,recorded_at\nS101,"+stays.Stay.PatientID+","+demo.MainUnit+","+
			stays.Stay.AdmittedAt.Format(time.RFC3339)+","+stamp(100)+","+stamp(101)+"\n")
		stepAll(t, s, now.Add(110*time.Minute))
		if e := find(episodes.PrecautionsMissing); e.State != episodes.Done || e.Reason != episodes.LeftUnit {
			t.Errorf("after the discharge: %s, %s", e.State, e.Reason)
		}
		if _, still := owed(t, s)["S101"]; still {
			t.Error("the patient left, and something is owed")
		}

		ended, err := s.care().Ended(ctx, demo.MainUnit, now, now.Add(2*time.Hour))
		must(err)
		for n, h := range ended {
			if h.Episode.StayID != "S101" || h.Episode.Active() || n > 0 && h.Episode.ChangedAt.After(ended[n-1].Episode.ChangedAt) {
				t.Errorf("among what ended, the latest first: %+v", h.Episode)
			}
		}
		if len(ended) != 5 { // two falls with their rechecks, and the precautions
			t.Errorf("%d ended, want 5", len(ended))
		}

		counts, err := s.care().Tally(ctx, demo.MainUnit, now, now.Add(2*time.Hour), 50)
		must(err)
		evidence, person := counts[0].Ended()
		if counts[0].Reopened != 1 || person != 1 || evidence != 4 || counts[0].AtTaking == nil || *counts[0].AtTaking != 5*time.Minute {
			t.Errorf("the tally is %+v", counts[0])
		}
		wantOpen := 0
		for stay, kinds := range owed(t, s) {
			if !strings.HasPrefix(stay, "S2") { // not of the second unit
				wantOpen += len(strings.Fields(kinds))
			}
		}
		if counts[0].StillOpen != wantOpen {
			t.Errorf("%d are still open by the tally, want %d", counts[0].StillOpen, wantOpen)
		}
	})
}

// Several programs step one database at once: nothing is opened or told twice.
func TestSeveralProgramsStepTogether(t *testing.T) {
	drill.Long(t)
	eachEngine(t, func(t *testing.T, database string) {
		now := demo.AnchorTime()
		one := openSite(t, database, now)
		two := reopenSite(t, one, now)
		var wg sync.WaitGroup
		for n := range 8 {
			s := []*site{one, two}[n%2]
			wg.Go(func() {
				if _, err := s.care().StepAll(context.Background(), now.Add(time.Duration(n)*time.Second)); err != nil {
					t.Errorf("step: %v", err)
				}
			})
		}
		wg.Wait()
		if d := cmp.Diff(demoEpisodes, owed(t, one)); d != "" {
			t.Errorf("owed (-want +got):\n%s", d)
		}
		want := 0
		for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
			list, err := one.care().Unit(context.Background(), unit)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range list {
				want += len(e.Told) // none of a recheck that is not overdue yet
			}
		}
		if n := notices(t, one); n != want {
			t.Errorf("%d notices, want %d", n, want)
		}
	})
}

// A feed folder that cannot be read is one episode, over restarts too.
// A program that is killed between the record of a review and the end of its episode
// finds the episode owed, and ends it: as whoever recorded the review, and once.
func TestAReviewEndsItsEpisodeAfterARestart(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		ctx, now := context.Background(), demo.AnchorTime()
		s := openSite(t, database, now)
		stepAll(t, s, now)
		record := func(stay string, at time.Time) {
			t.Helper()
			_, err := s.store.AddDoseReview(ctx, records.DoseReview{
				StayID: stay, AccountID: 1, Who: "pharmacist", At: at, Outcome: dosereview.Suggested, LookAgain: "2026-11-05",
			}, 0)
			if err != nil {
				t.Fatal(err)
			}
		}
		record("S103", now.Add(time.Second))
		record("S108", now.Add(-time.Second)) // before it was asked for
		s = reopenSite(t, s, now)
		before := notices(t, s)
		state := func(stay string) records.Episode {
			t.Helper()
			list, err := s.care().Stay(ctx, stay)
			if err != nil {
				t.Fatal(err)
			}
			for _, h := range list {
				if h.Episode.Kind == episodes.DoseReview {
					return h.Episode
				}
			}
			return records.Episode{}
		}
		s.stepEpisodes(ctx, nil, now.Add(30*time.Second))
		if e := state("S103"); !e.Active() {
			t.Errorf("ended before the request that recorded the review could: %+v", e)
		}
		for _, later := range []time.Duration{2 * time.Minute, 3 * time.Minute, time.Hour} {
			s.stepEpisodes(ctx, nil, now.Add(later))
			if e := state("S103"); e.State != episodes.Done || e.Who != "pharmacist" || e.Reason != episodes.ProviderTold || e.Events != 2 {
				t.Errorf("after %s it is %+v", later, e)
			}
			if e := state("S108"); !e.Active() || e.Events != 1 {
				t.Errorf("a review from before it was asked for has ended it: %+v", e)
			}
		}
		list, err := s.store.Notices(ctx, time.Time{}, 10000)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range list[before:] {
			if n.Event.StayID == "S103" && n.Event.Kind == episodes.DoseReview {
				t.Errorf("it is told again: %+v", n)
			}
		}
	})
}

func TestASilentFeedIsOneEpisode(t *testing.T) {
	ctx := context.Background()
	now := demo.AnchorTime()
	s := openSite(t, "", now)
	s.settings.feedEvery = "@every 1m"
	dir := filepath.Join(t.TempDir(), "feed")
	look := func(s *site, minutes int) []records.Episode {
		t.Helper()
		at := now.Add(time.Duration(minutes) * time.Minute)
		w := &ingest.Watcher{Loader: s.loader, Dir: dir, Clock: func() time.Time { return at }}
		s.stepEpisodes(ctx, w, at) // not looked at yet: no silence
		_ = w.Poll(ctx)
		s.stepEpisodes(ctx, w, at)
		list, err := s.care().Unit(ctx, "")
		if err != nil {
			t.Fatal(err)
		}
		return list
	}
	first := look(s, 1)
	if len(first) != 1 || first[0].Kind != episodes.FeedStale || first[0].StayID != "" {
		t.Fatalf("the folder is missing: %+v", first)
	}
	if got := s.service.Catalogue(now).EpisodeWhy(first[0].Rule, first[0].Figures); !strings.Contains(got, "feed folder cannot be read") {
		t.Errorf("it says %q", got)
	}
	again := reopenSite(t, s, now)
	again.settings.feedEvery = "@every 1m"
	if got := look(again, 2); len(got) != 1 || got[0].Events != 1 {
		t.Errorf("after a restart: %+v", got)
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if got := look(again, 3); len(got) != 0 {
		t.Errorf("the folder is back: %+v", got)
	}
}

// A FHIR server that falls silent opens the episode of a feed, as a folder does, with or without a folder
// beside it; it ends when the server is read again.
func TestASilentFHIRServerOpensAnEpisode(t *testing.T) {
	now := demo.AnchorTime()
	s := openSite(t, "", now)
	s.settings.fhirServer.URL, s.settings.fhirEvery = "https://fhir.example/r4", "@every 1m"
	s.polled.start(now)
	if _, known, err := s.silentFeeds(t.Context(), nil, now); known || err != nil {
		t.Errorf("before the first poll it is known: %v", err)
	}
	open := func() (out []string) {
		list, err := noticeSource{s}.Owed(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range list {
			if e.Kind == episodes.FeedStale {
				out = append(out, e.Trigger)
			}
		}
		return out
	}
	s.polled.end(now, nil)
	m := records.Message{Feed: "fhir", ID: "poll Patient 1", ReceivedAt: now}
	if _, _, err := s.loader.Receive(t.Context(), m, "page", []byte(`{"resourceType":"Patient","id":"p"}`)); err != nil {
		t.Fatal(err)
	}
	loadRows(t, s, "weights-later.csv", "source_id,stay_id,measured_at,weight\n") // is of another feed
	s.stepEpisodes(t.Context(), nil, now)
	if got := open(); len(got) != 0 {
		t.Errorf("silent are %v", got)
	}
	s.polled.end(now.Add(10*time.Minute), errors.New("the server answers 503 Service Unavailable"))
	s.stepEpisodes(t.Context(), nil, now.Add(10*time.Minute))
	if got := open(); len(got) != 1 || got[0] != feedServer {
		t.Errorf("silent are %v, want the FHIR server", got)
	}
	silent, _, err := s.silentFeeds(t.Context(), nil, now.Add(10*time.Minute))
	if err != nil || len(silent) != 1 || !silent[0].Since.Equal(now) || !strings.Contains(silent[0].Why, "503") {
		t.Errorf("%+v, %v", silent, err)
	}
	s.polled.end(now.Add(20*time.Minute), nil)
	s.stepEpisodes(t.Context(), nil, now.Add(20*time.Minute))
	if got := open(); len(got) != 0 {
		t.Errorf("after it was read again silent are %v", got)
	}
}
