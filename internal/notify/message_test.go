package notify

import (
	"encoding/json"
	"mime"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/wneessen/go-mail"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

const patient = "Zyx Quillfeather" // of no one

func fallNotice(t *testing.T) records.Notice {
	at := moment(t, "2026-11-25T04:10:00Z")
	e := records.EpisodeEvent{
		EpisodeID: "ab12", N: 1, At: at, What: episodes.Opened, Kind: episodes.FallWithoutSet, StayID: "S 1/2", Unit: "4W",
		Rule: alerts.TFall, Figures: alerts.FellFigures{FellAt: at.Add(-time.Hour), Injury: "minor"},
	}
	return records.Notice{ID: "ab12.1", Event: e, Rule: e.Rule, Figures: e.Figures, Owed: true}
}

func site(t *testing.T) Site {
	return Site{Zone: zone(t, "Europe/Zurich"), PublicURL: "https://falls.example"}
}

func fields(t *testing.T, body []byte) map[string]any {
	t.Helper()
	var out map[string]any
	if err := json.Unmarshal(body, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestTheWordsOfANotice(t *testing.T) {
	m, err := site(t).NoticeMessage(fallNotice(t), Place{Bed: "12A"})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]any{
		"id": "ab12-1", "type": "notice", "event": "opened", "kind": "fall_without_set", "title": "Fall without a set after it",
		"rule": "T-FALL", "tier": "now", "unit": "4W", "bed": "12A", "stay_id": "S 1/2", "at": "2026-11-25T04:10:00Z",
		"sentence": "Fell 25 Nov 04:10 (1 h ago), minor injury; no orthostatic set that can be read since.",
		"link":     "https://falls.example/stays/S%201%2F2",
	}
	if d := cmp.Diff(want, fields(t, m.JSON)); d != "" {
		t.Errorf("the webhook's body (-want +got):\n%s", d)
	}
	if want := "now: unit 4W, bed 12A, Fall without a set after it"; m.Subject != want {
		t.Errorf("subject %q, want %q", m.Subject, want)
	}
	for _, part := range []string{want["sentence"].(string), want["link"].(string), "Rule: T-FALL", "Since 25 Nov 05:10"} {
		if !strings.Contains(m.Text, part) {
			t.Errorf("the e-mail lacks %q:\n%s", part, m.Text)
		}
	}
	with, err := site(t).NoticeMessage(fallNotice(t), Place{Bed: "12A", Name: patient})
	if err != nil || fields(t, with.JSON)["name"] != patient || !strings.Contains(with.Text, patient) {
		t.Errorf("with names on: %s\n%s %v", with.JSON, with.Text, err)
	}
}

// The rule: a fall and a drug that makes it bleed stand together wherever the fall stands,
// so in a message too.
func TestANoticeOfAFallNamesTheDrugThatMakesItBleed(t *testing.T) {
	n := fallNotice(t)
	f := n.Figures.(alerts.FellFigures)
	last := f.FellAt.Add(-82 * time.Minute)
	f.Injury, f.Bleeds = "", []trends.Bleed{{Drug: "enoxaparin", LastGiven: &last}}
	n.Figures = f
	m, err := site(t).NoticeMessage(n, Place{Bed: "12A"})
	if err != nil {
		t.Fatal(err)
	}
	const want = "on enoxaparin, last 82 min before the fall; injury not charted"
	if said := fields(t, m.JSON)["sentence"].(string); !strings.Contains(said, want) || !strings.Contains(m.Text, want) {
		t.Errorf("the message says %q and\n%s, without %q", said, m.Text, want)
	}
}

// The error of a feed may name a file, and a file may be named after a patient.
func TestAFeedsErrorStaysOnItsPage(t *testing.T) {
	at := moment(t, "2026-11-25T04:10:00Z")
	since := at.Add(-2 * time.Hour)
	e := records.EpisodeEvent{At: at, What: episodes.Opened, Kind: episodes.FeedStale, Rule: episodes.CFeed,
		Figures: episodes.FeedFigures{Feed: "feed folder", Why: "open " + patient + ".csv: permission denied", Since: &since}}
	m, err := site(t).NoticeMessage(records.Notice{ID: "f.1", Event: e, Rule: e.Rule, Figures: e.Figures}, Place{})
	if err != nil {
		t.Fatal(err)
	}
	got := fields(t, m.JSON)
	if want := "The feed folder is not read as it should be: the feed page says why. Last data 25 Nov 03:10 (2 h ago)."; got["sentence"] != want {
		t.Errorf("sentence %q, want %q", got["sentence"], want)
	}
	if got["link"] != "https://falls.example/feeds" || strings.Contains(string(m.JSON)+m.Text+m.Subject, patient) {
		t.Errorf("told: %s\n%s", m.JSON, m.Text)
	}
}

func TestNoTextOfTheDataBreaksALine(t *testing.T) {
	n := fallNotice(t)
	n.Event.Unit = "4W\r\nBcc: all@example.org\u2028x"
	m, err := site(t).NoticeMessage(n, Place{Bed: "1\n\n2\u202e"})
	if err != nil {
		t.Fatal(err)
	}
	if want := "now: unit 4W Bcc: all@example.org x, bed 1 2, Fall without a set after it"; m.Subject != want {
		t.Errorf("subject %q, want %q", m.Subject, want)
	}
	if strings.Contains(m.Text, "\r") || strings.Contains(m.Text, "\nBcc") || strings.ContainsAny(m.Text, "\u2028\u202e") {
		t.Errorf("the e-mail's text:\n%q", m.Text)
	}
}

func owedEpisode(unit string, kind records.EpisodeKind, state records.EpisodeState, raised time.Time) records.Episode {
	return records.Episode{Kind: kind, Unit: unit, State: state, RaisedAt: raised, StayID: "S1", Who: patient, Reason: patient}
}

func TestTheDigestCountsByUnitTierAndKind(t *testing.T) {
	at := moment(t, "2026-03-29T04:30:00Z")
	onApixaban := owedEpisode("4W", episodes.FallWithoutSet, episodes.Open, at.Add(-5*time.Hour))
	onApixaban.StayID = "S2" // of one stay they would be one thing: one set answers both
	onApixaban.Figures = alerts.FellFigures{FellAt: at.Add(-5 * time.Hour), Bleeds: []trends.Bleed{{Drug: "apixaban"}}}
	body, err := json.Marshal(site(t).BriefingOf(Date{2026, 3, 29}, at, []records.Episode{
		owedEpisode("", episodes.FeedStale, episodes.Open, at.Add(-time.Hour)),
		owedEpisode("7E", episodes.DoseReview, episodes.Deferred, at.Add(-50*time.Hour)),
		owedEpisode("4W", episodes.PrecautionsMissing, episodes.Open, at.Add(-2*time.Hour)),
		owedEpisode("4W", episodes.FallWithoutSet, episodes.Taken, at.Add(-3*time.Hour)),
		onApixaban,
		owedEpisode("4W", episodes.FallWithoutSet, episodes.Done, at.Add(-90*time.Hour)),
	}, nil, FeedNews{}))
	if err != nil {
		t.Fatal(err)
	}
	m, err := site(t).BriefingMessage(body)
	if err != nil {
		t.Fatal(err)
	}
	want := `What is owed before the huddle of 2026-03-29, as of 29 Mar 06:30.

Unit 4W
- now: Fall without a set after it, 2 (1 taken); the oldest owed for 5 h
  1 of the falls was on a drug that makes it bleed: apixaban
- today: Precautions missing, 1; the oldest owed for 2 h

Unit 7E
- today: Dose review due, 1 (1 put off); the oldest owed for 2 days

Feeds
- this shift: Feed not read, 1; the oldest owed for 1 h

https://falls.example
` + foot()
	if d := cmp.Diff(want, m.Text); d != "" {
		t.Errorf("the e-mail (-want +got):\n%s", d)
	}
	if m.Subject != "Before the huddle of 2026-03-29: 5 owed" || m.ID != "digest-2026-03-29" || string(m.JSON) != string(body) {
		t.Errorf("subject %q, id %q", m.Subject, m.ID)
	}
	line := fields(t, m.JSON)["units"].([]any)[0].(map[string]any)["owed"].([]any)[0]
	if d := cmp.Diff(map[string]any{"tier": "now", "kind": "fall_without_set", "title": "Fall without a set after it",
		"count": 2.0, "taken": 1.0, "deferred": 0.0, "oldest_since": "2026-03-28T23:30:00Z", "bleeding": 1.0, "drugs": []any{"apixaban"}}, line); d != "" {
		t.Errorf("the first line of the webhook's body (-want +got):\n%s", d)
	}
	if strings.Contains(string(m.JSON)+m.Text, patient) {
		t.Error("the digest names somebody")
	}
}

func TestADigestOfNothingOwedSaysSo(t *testing.T) {
	body, err := json.Marshal(Site{Zone: time.UTC}.BriefingOf(Date{2026, 3, 29}, moment(t, "2026-03-29T06:30:00Z"), nil, nil, FeedNews{}))
	if err != nil {
		t.Fatal(err)
	}
	m, err := Site{Zone: time.UTC}.BriefingMessage(body)
	if err != nil || !strings.Contains(m.Text, `Nothing is owed by these rules. That is not "low risk".`) || !strings.Contains(m.Subject, "nothing owed by these rules") {
		t.Errorf("%q %q %v", m.Subject, m.Text, err)
	}
}

// U-FRESH: a stale list says so before everything else, in every message of it. A unit of
// whose patients nothing is owed is no exception: its list may only not know.
func TestAnOldListSaysSoInTheDigestAndInMessages(t *testing.T) {
	at := moment(t, "2026-03-29T06:30:00Z")
	newest := at.Add(-6 * time.Hour)
	old := alerts.Freshness{Newest: &newest, Stale: true, Came: map[clinical.Kind]time.Time{clinical.KindDose: at.Add(-time.Hour)}}
	zone := Site{Zone: time.UTC}
	body, err := json.Marshal(zone.BriefingOf(Date{2026, 3, 29}, at, []records.Episode{
		owedEpisode("4W", episodes.DoseReview, episodes.Open, at.Add(-2*time.Hour)),
	}, map[string]alerts.Freshness{"4W": {Newest: &at}, "7E": old, "9N": {}}, FeedNews{}))
	if err != nil {
		t.Fatal(err)
	}
	m, err := zone.BriefingMessage(body)
	if err != nil {
		t.Fatal(err)
	}
	const says = "This list is old: the newest pressure or pulse from the feeds was taken 29 Mar 00:30 (6 h ago)."
	four, seven, found := strings.Cut(m.Text, "Unit 7E\n"+says)
	if !found || strings.Contains(four, "This list") || strings.Contains(m.Text, "9N") {
		t.Errorf("the old list is not told alone, first of its unit: %s", m.Text)
	}
	if !strings.Contains(seven, "pressure and pulse never, orders never, doses 29 Mar 05:30, fluids never") {
		t.Errorf("when each kind last came: %s", seven)
	}
	if !strings.HasSuffix(m.Subject, "1 owed; 7E: old list") {
		t.Error(m.Subject)
	}
	unit := fields(t, m.JSON)["units"].([]any)[1].(map[string]any)
	if unit["stale"] != true || unit["newest_vitals_at"] != "2026-03-29T00:30:00Z" || len(unit["owed"].([]any)) != 0 {
		t.Errorf("%v", unit)
	}

	n := fallNotice(t)
	newest = n.Event.At.Add(-5 * time.Hour)
	for _, c := range []struct {
		list alerts.Freshness
		old  bool
	}{{old, true}, {alerts.Freshness{Newest: &newest}, false}} {
		m, err := site(t).NoticeMessage(n, Place{Bed: "12A", List: c.list})
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(m.Text, "\nThis list is old: "); got != c.old {
			t.Errorf("%+v: %s", c.list, m.Text)
		}
		if _, told := fields(t, m.JSON)["old_list"]; told != c.old {
			t.Errorf("%+v: %s", c.list, m.JSON)
		}
	}
}

// A bed and a name from right to left leave the figures beside them where they are, in text,
// subject and the webhook's sentence; a name of 3,000 characters leaves a message readable.
func TestTextFromRightToLeftIsIsolatedInMessages(t *testing.T) {
	n := fallNotice(t)
	f := n.Figures.(alerts.FellFigures)
	f.Bleeds = []trends.Bleed{{Drug: "\u05d0\u05d1\u05d2\u202e"}}
	n.Figures, n.Event.Figures = f, f
	name := "\u05e9\u05dc\u05d5\u05dd\u202e " + strings.Repeat("\u05d5", 3000)
	m, err := site(t).NoticeMessage(n, Place{Bed: "P7 \u05d0\u05d1", Name: name})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(m.Subject, "bed \u2068P7 \u05d0\u05d1\u2069, \u2068\u05e9\u05dc\u05d5\u05dd") {
		t.Errorf("subject %q", m.Subject)
	}
	if len([]rune(m.Subject)) > 300 || len([]rune(m.Text)) > 900 {
		t.Errorf("a subject of %d characters, a text of %d", len([]rune(m.Subject)), len([]rune(m.Text)))
	}
	sentence := fields(t, m.JSON)["sentence"].(string)
	for what, said := range map[string]string{"subject": m.Subject, "text": m.Text, "sentence": sentence} {
		if strings.Contains(said, "\u202e") || strings.Count(said, "\u2068") != strings.Count(said, "\u2069") {
			t.Errorf("the %s turns what follows: %q", what, said)
		}
	}
	if !strings.Contains(sentence, "\u2068\u05d0\u05d1\u05d2\u2069") || !strings.Contains(m.Text, "\u2068\u05d0\u05d1\u05d2\u2069") {
		t.Errorf("the drug is not isolated: %q, %q", sentence, m.Text)
	}
	if got := fields(t, m.JSON)["name"]; got != name {
		t.Error("the webhook's name is not the name as it came")
	}
	letter, err := letterOf(t, m)
	if err != nil || !strings.Contains(letter, "\u2068P7") {
		t.Errorf("the subject of the e-mail lost its marks: %q, %v", letter, err)
	}
}

// letterOf is the decoded subject of the e-mail that tells a message.
func letterOf(t *testing.T, m Message) (string, error) {
	t.Helper()
	post, err := NewMail(MailSettings{Address: "mail.example:587", From: "a@site.example", To: "b@site.example"}, "")
	if err != nil {
		return "", err
	}
	letter, err := post.letter(m, moment(t, "2026-11-25T04:10:00Z"))
	if err != nil {
		return "", err
	}
	return new(mime.WordDecoder).DecodeHeader(strings.Join(letter.GetGenHeader(mail.HeaderSubject), " "))
}

// The examples of docs/notify.md are messages of this program: the same fields, none more.
func TestTheExamplesOfTheDocsAreMessages(t *testing.T) {
	page, err := os.ReadFile("../../docs/notify.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(page), "```json\n")
	if len(blocks) != 3 {
		t.Fatalf("the page has %d examples", len(blocks)-1)
	}
	full := fallNotice(t)
	notice, err := site(t).NoticeMessage(full, Place{Bed: "12A", Name: patient, List: alerts.Freshness{Stale: true}})
	if err != nil {
		t.Fatal(err)
	}
	at := moment(t, "2026-11-25T05:30:00Z")
	digest, err := json.Marshal(site(t).BriefingOf(Date{2026, 11, 25}, at,
		[]records.Episode{owedEpisode("4W", episodes.FallWithoutSet, episodes.Open, at)},
		map[string]alerts.Freshness{"4W": {Stale: true, Newest: &at, Came: map[clinical.Kind]time.Time{clinical.KindVitals: at}}},
		FeedNews{Commissioning: []string{"5N"}, Gaps: []feedcheck.Gap{noPositions("4W", at)}}))
	if err != nil {
		t.Fatal(err)
	}
	for n, made := range [][]byte{notice.JSON, digest} {
		example, _, _ := strings.Cut(blocks[n+1], "```")
		if d := cmp.Diff(keysOf(fields(t, made), ""), keysOf(fields(t, []byte(example)), "")); d != "" {
			t.Errorf("the fields of a message (-) and of example %d (+):\n%s", n+1, d)
		}
	}
	for _, kind := range episodes.Kinds {
		if !strings.Contains(string(page), "`"+string(kind)+"`") {
			t.Errorf("the page does not name the kind %s", kind)
		}
	}
}

// keysOf are the names of all fields below a value, sorted.
func keysOf(v any, under string) []string {
	var out []string
	switch v := v.(type) {
	case map[string]any:
		for key, e := range v {
			out = append(out, under+key)
			if key != "last_came" { // a map by kind of fact
				out = append(out, keysOf(e, under+key+".")...)
			}
		}
	case []any:
		for _, e := range v {
			out = append(out, keysOf(e, under)...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// noPositions is that no reading of a unit has a position any more.
func noPositions(unit string, since time.Time) feedcheck.Gap {
	return feedcheck.Gap{Unit: unit, Habit: feedcheck.Habit{Measure: feedcheck.Positions, State: feedcheck.None, Since: since, Latest: -1}}
}

// A unit in commissioning stands in the digest every day, and nothing of its patients does.
func TestADigestSaysWhichUnitsAreInCommissioning(t *testing.T) {
	at := moment(t, "2026-03-29T06:30:00Z")
	zone := Site{Zone: time.UTC}
	news := FeedNews{Commissioning: []string{"4W"}, Gaps: []feedcheck.Gap{noPositions("7E", at.AddDate(0, 0, -2))}}
	body, err := json.Marshal(zone.BriefingOf(Date{2026, 3, 29}, at, []records.Episode{
		owedEpisode("4W", episodes.DoseReview, episodes.Open, at.Add(-2*time.Hour)),
	}, map[string]alerts.Freshness{"4W": {Stale: true}}, news))
	if err != nil {
		t.Fatal(err)
	}
	m, err := zone.BriefingMessage(body)
	want := `What is owed before the huddle of 2026-03-29, as of 29 Mar 06:30.

Nothing is owed by these rules. That is not "low risk".

For the administrator
- Unit 4W is in commissioning: nobody has said that its feeds were checked, and nobody is told of its patients.
- Unit 7E: Readings with a position: none since Fri 27 Mar, where there usually are some. Falls on standing cannot be seen.
` + foot()
	if d := cmp.Diff(want, m.Text); d != "" || err != nil {
		t.Errorf("the e-mail (-want +got):\n%s%v", d, err)
	}
	said := fields(t, m.JSON)
	if d := cmp.Diff([]any{"4W"}, said["commissioning"]); d != "" || len(said["units"].([]any)) > 0 {
		t.Errorf("the webhook's body: %s", m.JSON)
	}
}
