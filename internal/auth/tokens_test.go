package auth_test

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"testing"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

// machines is a service with a clock that can be moved.
type machines struct {
	*auth.Tokens
	touches *touches
	now     time.Time
}

// touches counts how often the use of a token is written.
type touches struct {
	*store.Store
	n int
}

func (c *touches) TouchAPIToken(ctx context.Context, id int64, at time.Time) error {
	c.n++
	return c.Store.TouchAPIToken(ctx, id, at)
}

func newMachines(t *testing.T) *machines {
	t.Helper()
	m := &machines{touches: &touches{Store: teststore.Empty(t)}, now: time.Date(2026, 11, 2, 10, 20, 0, 0, time.UTC)}
	m.Tokens = &auth.Tokens{Store: m.touches, Limits: &auth.Limits{}, Clock: func() time.Time { return m.now }}
	return m
}

func (m *machines) made(t *testing.T, name string) (secret string, made records.APIToken) {
	t.Helper()
	secret, made, err := m.Make(t.Context(), auth.ParseAPIToken(name, []string{"list:read"}, []string{"4W"}, m.now.Add(48*time.Hour)), "root")
	if err != nil {
		t.Fatal(err)
	}
	return secret, made
}

func TestATokenServesUntilItsEnd(t *testing.T) {
	m := newMachines(t)
	secret, made := m.made(t, "bed board")
	if made.MadeBy != "root" || !made.MadeAt.Equal(m.now) || made.Who() != "token bed board" {
		t.Errorf("made %+v", made)
	}
	got, err := m.Resolve(t.Context(), secret)
	if err != nil || got.Name != "bed board" {
		t.Fatalf("a good token: %+v %v", got, err)
	}
	for _, wrong := range []string{"", "x", auth.NewAPIToken(), secret + " ", secret[:len(secret)-1]} {
		if got, err := m.Resolve(t.Context(), wrong); !errors.Is(err, auth.ErrToken) || got.Name != "" {
			t.Errorf("%q is taken for %q: %v", wrong, got.Name, err)
		}
	}
	m.now = m.now.Add(48*time.Hour - time.Second)
	if _, err := m.Resolve(t.Context(), secret); err != nil {
		t.Errorf("a second before its end: %v", err)
	}
	m.now = m.now.Add(time.Second)
	if got, err := m.Resolve(t.Context(), secret); !errors.Is(err, auth.ErrToken) || got.Name != "bed board" {
		t.Errorf("at its end: %q %v; the audit is to know whose it was", got.Name, err)
	}
}

func TestARevokedTokenServesNoMore(t *testing.T) {
	m := newMachines(t)
	secret, made := m.made(t, "bed board")
	other, _ := m.made(t, "other")
	if err := m.Revoke(t.Context(), made.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Resolve(t.Context(), secret); !errors.Is(err, auth.ErrToken) {
		t.Errorf("a revoked token: %v", err)
	}
	if _, err := m.Resolve(t.Context(), other); err != nil {
		t.Errorf("another token: %v", err)
	}
	if err := m.Check(t.Context(), auth.ParseAPIToken("BED Board", []string{"metrics:read"}, nil, m.now.Add(time.Hour))); clinical.CodeOf(err) != clinical.Conflict {
		t.Errorf("the name of a revoked token: %v", err)
	}
}

// A machine that asks often costs one write an hour.
func TestTheUseOfATokenIsNotedOnceAnHour(t *testing.T) {
	m := newMachines(t)
	secret, _ := m.made(t, "bed board")
	uses := func() time.Time {
		t.Helper()
		if _, err := m.Resolve(t.Context(), secret); err != nil {
			t.Fatal(err)
		}
		all, err := m.List(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return all[0].UsedAt
	}
	for _, step := range []struct {
		after time.Duration
		want  string
		wrote int
	}{{0, "10:00", 1}, {39 * time.Minute, "10:00", 1}, {time.Minute, "11:00", 2}, {time.Second, "11:00", 2}, {-time.Hour, "11:00", 2}} {
		m.now = m.now.Add(step.after)
		if got := uses().Format("15:04"); got != step.want || m.touches.n != step.wrote {
			t.Errorf("at %s: last used %s after %d writes, want %s after %d", m.now.Format("15:04:05"), got, m.touches.n, step.want, step.wrote)
		}
	}
}

// Wrong tokens make the address wait that sends them, and no good token: that is
// recognised before any count is looked at.
func TestWrongTokensMakeAnAddressWait(t *testing.T) {
	m := newMachines(t)
	secret, _ := m.made(t, "bed board")
	here, there := netip.MustParseAddr("192.0.2.1"), netip.MustParseAddr("192.0.2.2")
	for n := range 100 {
		if err := m.Wrong(here); err != nil {
			t.Fatalf("wrong token %d: %v", n, err)
		}
	}
	var wait *auth.WaitError
	if err := m.Wrong(here); !errors.As(err, &wait) || wait.Seconds() != 1 {
		t.Errorf("after 100 wrong tokens: %v", err)
	}
	if err := m.Wrong(there); err != nil {
		t.Errorf("from another address: %v", err)
	}
	if _, err := m.Resolve(t.Context(), secret); err != nil {
		t.Errorf("a good token is shut out: %v", err)
	}
	m.now = m.now.Add(time.Second)
	if err := m.Wrong(here); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	m.now = m.now.Add(16 * time.Minute)
	for range 100 {
		if err := m.Wrong(here); err != nil {
			t.Fatalf("it is not forgotten: %v", err)
		}
	}
}

func TestTokensAsPeopleGiveThem(t *testing.T) {
	now := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC)
	got := auth.ParseAPIToken("hub", []string{" SETS:read", "list:read", "", "list:read"}, []string{" 7E ", "4W", "", "7E"}, now)
	if !slices.Equal(got.Scopes, []records.Scope{records.ReadList, records.ReadSets}) || !slices.Equal(got.Units, []string{"4W", "7E"}) || got.AllUnits {
		t.Errorf("read %+v", got)
	}
	if all := auth.ParseAPIToken("hub", nil, []string{"4W", "*"}, now); !all.AllUnits || all.Units != nil {
		t.Errorf("every unit is read as %+v", all)
	}
	for days, want := range map[string]int{"1": 1, " 90 ": 90, "366": 366, "0": 0, "367": 0, "-1": 0, "": 0, "1.5": 0, "x": 0} {
		end, err := auth.TokenEnd(days, now)
		if want == 0 && clinical.CodeOf(err) != clinical.Invalid || want > 0 && (err != nil || end.Sub(now) != time.Duration(want)*24*time.Hour) {
			t.Errorf("%q days: until %s, %v", days, end, err)
		}
	}
}

// No account may be called what the audit calls a token or the program.
func TestNamesThatTheAuditGivesToOthers(t *testing.T) {
	for name, ok := range map[string]bool{"token bed board": false, "Token x": false, "command line": false, "Program": false, "tokens": true, "token": true, "programmer": true} {
		if err := auth.CheckName(name); (err == nil) != ok {
			t.Errorf("the name %q: %v", name, fmt.Sprint(err))
		}
	}
}
