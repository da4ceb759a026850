package effect

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/policy"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// What is drawn or counted, and named in no rule of a stay.
var notInRules = map[string]bool{
	"unit.day_shift": true, "unit.night_shift": true, "unit.huddle": true, "unit.patient_days": true,
	"unit.stale_after_hours": true,
}

// The page of the rules tells the policy in force: a site that changes a key must
// not read the number of another.
func TestTheRulesTellEveryKey(t *testing.T) {
	told := func(l policy.Loaded) string { return fmt.Sprint(text.Explain(l.Policy)) }
	usual := told(policy.Default())
	for _, e := range effects {
		if notInRules[e.key] {
			continue
		}
		for _, value := range e.to {
			if told(mustLoad(t, e.key, value)) == usual {
				t.Errorf("the rules read alike with %s: %s", e.key, value)
			}
		}
	}
}

// unit.stale_after_hours changes whether a list is stale, and nothing else of it.
func TestStaleAfterChangesTheListAlone(t *testing.T) {
	charts := []clinical.Chart{clinical.ChartAt("S", join2(facts{young()}, set(2, 130, 125)), noon)}
	ask := func(l policy.Loaded) document {
		var list []alerts.Assessment
		for _, s := range answer(charts, l.Policy, time.UTC) {
			list = append(list, s.assessment)
		}
		return document(plain(t, report.ListOf("4W", "", l.Policy.Unit, list, text.Catalogue{Zone: time.UTC, At: noon})).(map[string]any))
	}
	usual, strict := ask(policy.Default()), ask(mustLoad(t, "unit.stale_after_hours", "1"))
	if got := changed(usual, strict); len(got) != 1 || got[0] != "stale" || usual["stale"] != false || strict["stale"] != true {
		t.Errorf("it changes %v: %v, then %v", got, usual["stale"], strict["stale"])
	}
}

// unit.patient_days changes how patient-days are counted, and what is divided by
// them.
func TestPatientDaysChangeTheRatesAlone(t *testing.T) {
	feed := demoFeed(t)
	now := demo.AnchorTime()
	ask := func(l policy.Loaded) document {
		s := &assess.Service{Store: feed, Policy: l, Zone: time.UTC}
		f, err := s.Unit(context.Background(), "4W", now.AddDate(0, -1, 0), now, trends.ByWeek, now)
		if err != nil {
			t.Fatal(err)
		}
		written, err := json.Marshal(report.UnitOf("4W", f))
		if err != nil {
			t.Fatal(err)
		}
		var d document
		if err := json.Unmarshal(written, &d); err != nil {
			t.Fatal(err)
		}
		return d
	}
	got := changed(ask(policy.Default()), ask(mustLoad(t, "unit.patient_days", "hours")))
	if len(got) == 0 {
		t.Error("it changes nothing")
	}
	for _, path := range got {
		part := path[strings.LastIndex(path, ".")+1:]
		if !strings.Contains(" patient_days rate rate_low rate_high injury_rate u_center u_lower u_upper run_rules ", " "+part+" ") {
			t.Errorf("it changes %s", path)
		}
	}
}
