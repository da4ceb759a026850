package web_test

import (
	"context"
	"net/url"
	"strings"
	"testing"
	"time"

	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/parts"
	"plumbline/internal/web/webtest"
)

// outboxOf holds the messages about one set, as the pages see them.
type outboxOf struct {
	list    []records.Outgoing
	retried int
}

func (o *outboxOf) OutgoingOf(_ context.Context, stay string) (out []records.Outgoing, _ error) {
	for _, m := range o.list {
		if m.StayID == stay {
			out = append(out, m)
		}
	}
	return out, nil
}

func (o *outboxOf) LateOutgoing(_ context.Context, unit string, by time.Time) (out []records.Outgoing, _ error) {
	for _, m := range o.list {
		if m.Unit == unit && m.State != records.SendSent && (!m.QueuedAt.After(by) || m.State == records.SendRefused) {
			out = append(out, m)
		}
	}
	return out, nil
}

func (o *outboxOf) Unsent(context.Context, int) ([]records.Outgoing, error) { return o.list, nil }

func (o *outboxOf) RetryOutgoing(context.Context, int64, time.Time) (int64, error) {
	o.retried++
	return 1, nil
}

func TestASetThatIsNotInTheChartSaysSo(t *testing.T) {
	all, d := noted(t, kept)
	o := &outboxOf{}
	d.Outbox = o
	state := records.OutboxState{Channel: "mllp"}
	health := d.Feeds
	d.Feeds = func(ctx context.Context) (parts.FeedHealth, error) {
		h, err := health(ctx)
		h.Outbox = []records.OutboxState{state}
		return h, err
	}
	h := web.New(d)
	nurse, admin := webtest.As(h, "bedside-nurse"), webtest.As(h, "administrator")
	if w := sendSet(nurse, "/stays/S108/new-set", typed(), "text/html"); w.Code != 303 {
		t.Fatalf("sent = %d", w.Code)
	}
	now := d.Clock()
	message := func(s records.SendState, ago time.Duration) {
		o.list = []records.Outgoing{{
			Number: 7, Channel: "mllp", Thing: setID, Unit: "4W", StayID: "S108", State: s, QueuedAt: now.Add(-ago), Attempts: 3,
			Answer: "AR: no such visit", Body: []byte(`{"set_id":"x","facts":[{"kind":"vitals"}]}`),
		}}
		state.Waiting, state.Refused, state.Oldest = 0, 0, time.Time{}
		if s == records.SendWaits {
			state.Waiting, state.Oldest = 1, now.Add(-ago)
		}
		if s == records.SendRefused {
			state.Refused = 1
		}
	}
	for _, c := range []struct {
		what        string
		set         func()
		result      string
		told, alert bool
	}{
		{"nothing was queued", func() { o.list = nil }, "Kept here only", false, false},
		{"it waits for a while", func() { message(records.SendWaits, 29*time.Minute) }, "On its way to the record.", false, false},
		{"it waits for long", func() { message(records.SendWaits, 30*time.Minute) }, "Not in the chart yet: the record has not taken it since", true, true},
		{"it was refused", func() { message(records.SendRefused, time.Minute) }, "Not in the chart: the record has refused it.", true, true},
		{"it was taken", func() { message(records.SendSent, time.Hour) }, "The record has taken it.", false, false},
	} {
		c.set()
		if got := said(t, nurse, "/stays/S108/new-set?sent="+setID); !strings.Contains(got, c.result) {
			t.Errorf("%s: the result does not say %q", c.what, c.result)
		}
		if got := said(t, nurse, "/stays/S108"); strings.Contains(got, "Not in the chart") != c.told {
			t.Errorf("%s: the patient's page says so: %v", c.what, !c.told)
		}
		if got := said(t, nurse, "/units/4W/new-set"); strings.Contains(got, "Not in the chart yet stay S108: the set") != c.told {
			t.Errorf("%s: the choice of patients says so: %v", c.what, !c.told)
		}
		if got := said(t, admin, "/feeds"); strings.Contains(got, "The record does not take what is taken here.") != c.alert {
			t.Errorf("%s: the feeds' page warns: %v", c.what, !c.alert)
		}
	}
	message(records.SendRefused, time.Minute)
	for who, sees := range map[string]bool{"administrator": true, "bedside-nurse": false} {
		if got := said(t, webtest.As(h, who), "/feeds"); strings.Contains(got, "AR: no such visit") != sees {
			t.Errorf("%s sees what the record answered: %v", who, !sees)
		}
	}
	w := sendSet(admin, "/feeds/to-record/retry", url.Values{}, "text/html")
	if w.Code != 200 || o.retried != 1 || !strings.Contains(w.Body.String(), "sent again") {
		t.Errorf("sent again = %d, %d times", w.Code, o.retried)
	}
	if got, want := lastOf(t, *all), "administrator change POST /feeds/to-record/retry unit= stay= allowed"; got != want {
		t.Errorf("the audit holds %s, want %s", got, want)
	}
	o.list = nil // what was charted before a way was set up
	if got := said(t, nurse, "/stays/S108"); !strings.Contains(got, "Kept here only, and not in the record: vital signs.") {
		t.Error("the patient's page does not say what is kept here only")
	}
}
