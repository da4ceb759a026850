package app

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/internal/outbox"
	"plumbline/internal/records"
	"plumbline/internal/testdb/teststore"
)

// handIn sends a set with a token.
func handIn(t *testing.T, site, token, stay, body string) (code int, answer string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, site+"/api/v1/stays/"+stay+"/sets", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+token)
	got, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = got.Body.Close() }()
	b, err := io.ReadAll(got.Body)
	if err != nil {
		t.Fatal(err)
	}
	return got.StatusCode, string(b)
}

// measuredSet is a set that drops by 34, some minutes ago.
func measuredSet(id string, now time.Time) string {
	at := func(minutes int) string { return now.Add(time.Duration(minutes) * time.Minute).Format(time.RFC3339) }
	return fmt.Sprintf(`{"id":%q,"taken_by":"monitor 7","readings":[
		{"taken_at":%q,"position":"lying","systolic":142,"diastolic":78,"heart_rate":70,"limb":"left arm","minutes_in_position":5},
		{"taken_at":%q,"position":"standing","systolic":108,"diastolic":66,"heart_rate":78,"limb":"left arm","minutes_in_position":1}]}`,
		id, at(-9), at(-8))
}

// The whole way over HTTP: two instances on one database take one set between them, whichever it is sent
// to and however often; it is queued for the record in the same transaction, once; a restart changes nothing.
func TestASetOfADeviceIsKeptOnceByTwoInstances(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		dir := t.TempDir()
		if database == "" {
			database = filepath.Join(dir, "test.db")
		}
		now := time.Now().UTC()
		stays := "stay_id,patient_id,unit,admitted_at\n"
		for _, stay := range []string{"S1", "S2"} {
			stays += stay + ",P" + stay + ",4W," + now.Add(-time.Hour).Format(time.RFC3339) + "\n"
		}
		writeOld(t, filepath.Join(dir, "stays.csv"), stays)
		runCommand(t, database, "load", filepath.Join(dir, "stays.csv"))
		token := addToken(t, database, "monitors", "--scope", "sets:write,sets:read", "--unit", "4W")
		// Nobody listens there: what is queued stays.
		env := map[string]string{"PLUMBLINE_DATABASE": database, "PLUMBLINE_MLLP_SEND": "127.0.0.1:1"}
		serve := []string{"serve", "--listen", "127.0.0.1:0"}
		one, stopOne := start(t, serve, env)
		two, stopTwo := start(t, serve, env)

		codes, answers := handInAtOnce(t, []string{one, two}, token, measuredSet("m7-1", now))
		slices.Sort(codes)
		if codes[len(codes)-1] != 201 || codes[len(codes)-2] != 200 || len(slices.Compact(slices.Clone(codes))) != 2 {
			t.Errorf("the answers are %v, want one 201 and 200 for the rest", codes)
		}
		slices.Sort(answers)
		if len(slices.Compact(slices.Clone(answers))) != 1 {
			t.Errorf("the answers differ: %v", answers)
		}
		if code, _ := handIn(t, two, token, "S2", measuredSet("m7-1", now)); code != http.StatusConflict {
			t.Errorf("for another stay = %d", code)
		}
		for _, stop := range []func() int{stopOne, stopTwo} {
			if code := stop(); code != 0 {
				t.Errorf("exit %d", code)
			}
		}
		again, stop := start(t, serve, env)
		if code, answer := handIn(t, again, token, "S1", measuredSet("m7-1", now)); code != http.StatusOK || answer != answers[0] {
			t.Errorf("after a restart = %d\n%s\n%s", code, answer, answers[0])
		}
		if code, _ := handIn(t, again, token, "S1", strings.Replace(measuredSet("m7-1", now), "142", "143", 1)); code != http.StatusConflict {
			t.Errorf("with other content = %d", code)
		}
		if code := stop(); code != 0 {
			t.Errorf("exit %d", code)
		}
		queued := keptOnce(t, database, answers[0])
		echoIsNoSecondSet(t, database, queued, answers[0])
	})
}

// echoIsNoSecondSet loads what went to the record as if it came back from there.
func echoIsNoSecondSet(t *testing.T, database string, queued records.Outgoing, answer string) {
	t.Helper()
	item, err := outbox.Read(queued)
	if err != nil {
		t.Fatal(err)
	}
	echo := filepath.Join(t.TempDir(), "echo.hl7")
	writeOld(t, echo, string(outbox.HL7{Application: "REC", Facility: "HOSP", Zone: time.UTC}.Message(item)))
	if said := runCommand(t, database, "load", echo, "--format", "json"); !strings.Contains(said, `"accepted": 0`) || !strings.Contains(said, `"unchanged": 2`) {
		t.Errorf("of the echo something is taken as new: %s", said)
	}
	onlySet(t, database, answer)
}

// handInAtOnce sends a set eight times, to both instances at once.
func handInAtOnce(t *testing.T, sites []string, token, body string) (codes []int, answers []string) {
	t.Helper()
	var mu sync.Mutex
	var sent sync.WaitGroup
	for n := range 8 {
		sent.Go(func() {
			code, answer := handIn(t, sites[n%len(sites)], token, "S1", body)
			mu.Lock()
			defer mu.Unlock()
			codes, answers = append(codes, code), append(answers, answer)
		})
	}
	sent.Wait()
	return codes, answers
}

// keptOnce holds the commands to one set of two facts, and one message to the record.
func keptOnce(t *testing.T, database, answer string) records.Outgoing {
	t.Helper()
	onlySet(t, database, answer)
	facts := runCommand(t, database, "facts", "--stay", "S1", "--format", "json")
	if n := strings.Count(facts, `"here-m7-1-`); n != 2 {
		t.Errorf("%d facts of the set, want 2", n)
	}
	s := teststore.Open(t, database)
	queued, err := s.OutgoingOf(context.Background(), "S1")
	if err != nil {
		t.Fatal(err)
	}
	if len(queued) != 1 || queued[0].Thing != "here-m7-1" || queued[0].Version != 1 {
		t.Fatalf("queued for the record: %+v, want one message of the set", queued)
	}
	for _, want := range []string{`"here-m7-1-1"`, `"here-m7-1-2"`, `"set_id":"here-m7-1"`, `"who":"token monitors (monitor 7)"`, "34"} {
		if !strings.Contains(string(queued[0].Body), want) {
			t.Errorf("the message does not hold %s: %s", want, queued[0].Body)
		}
	}
	return queued[0]
}

// onlySet holds the command to one set of the stay, as it was answered.
func onlySet(t *testing.T, database, answer string) {
	t.Helper()
	var sets struct{ Sets []json.RawMessage }
	if err := json.Unmarshal([]byte(runCommand(t, database, "sets", "--stay", "S1", "--format", "json")), &sets); err != nil {
		t.Fatal(err)
	}
	if len(sets.Sets) != 1 || !sameJSON(t, sets.Sets[0], []byte(answer)) {
		t.Errorf("the sets are %s, want %s", sets.Sets, answer)
	}
}

func sameJSON(t *testing.T, a, b []byte) bool {
	t.Helper()
	var x, y any
	if json.Unmarshal(a, &x) != nil || json.Unmarshal(b, &y) != nil {
		t.Fatalf("no JSON: %s %s", a, b)
	}
	return fmt.Sprint(x) == fmt.Sprint(y)
}
