package auth

import (
	"errors"
	"fmt"
	"net/netip"
	"testing"
	"time"
)

var start = time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)

// wrong makes a wrong attempt and returns how long it must wait, 0 where it was heard.
func (l *Limits) wrong(t *testing.T, a Attempt, now time.Time) time.Duration {
	t.Helper()
	_, err := l.Begin(a, now)
	var wait *WaitError
	if err != nil && !errors.As(err, &wait) {
		t.Fatal(err)
	}
	if wait == nil {
		return 0
	}
	return wait.For
}

func at(name, address string) Attempt {
	return Attempt{Name: name, Address: netip.MustParseAddr(address)}
}

func TestDelaysGrowAndAreBounded(t *testing.T) {
	l, now := &Limits{}, start
	for n := range freeOfPair {
		if w := l.wrong(t, at("ann", "10.0.0.1"), now); w != 0 {
			t.Fatalf("attempt %d waits %s", n+1, w)
		}
	}
	var waits []string
	for range 8 {
		w := l.wrong(t, at("ANN", "10.0.0.1"), now)
		waits = append(waits, w.String())
		if again := l.wrong(t, at("ann", "10.0.0.1"), now); again != w {
			t.Fatalf("an attempt that came too early was counted: %s, then %s", w, again)
		}
		if early := l.wrong(t, at("ann", "10.0.0.1"), now.Add(w-time.Millisecond)); early <= 0 {
			t.Fatal("heard before its time")
		}
		now = now.Add(w)
		if late := l.wrong(t, at("ann", "10.0.0.1"), now); late != 0 {
			t.Fatalf("not heard after its time: %s", late)
		}
	}
	if got := fmt.Sprint(waits); got != "[1s 2s 4s 8s 16s 32s 1m0s 1m0s]" {
		t.Errorf("waits %s", got)
	}
	if w := l.wrong(t, at("ann", "10.0.0.1"), now.Add(forgetAfter+time.Second)); w != 0 {
		t.Errorf("after a quarter of an hour it still waits %s", w)
	}
}

// Somebody who guesses at an account makes nobody else wait: not another address,
// and not a browser that signed in to the account before, even at the same address.
func TestGuessingShutsNobodyOut(t *testing.T) {
	l, now := &Limits{}, start
	for range 500 {
		l.wrong(t, at("ann", "10.0.0.1"), now)
		now = now.Add(time.Second)
	}
	if w := l.wrong(t, at("ann", "10.0.0.1"), now); w == 0 {
		t.Fatal("500 guesses and no wait")
	}
	if w := l.wrong(t, at("ann", "10.0.0.2"), now); w != 0 {
		t.Errorf("another address waits %s", w)
	}
	known := at("ann", "10.0.0.1")
	known.Mark = "mark"
	if w := l.wrong(t, known, now); w != 0 {
		t.Errorf("a known browser at the guesser's address waits %s", w)
	}
}

func TestAKnownBrowserWaitsForItsOwnMistakes(t *testing.T) {
	l := &Limits{}
	known := Attempt{Name: "ann", Address: netip.MustParseAddr("10.0.0.1"), Mark: "mark"}
	for n := range freeOfMark {
		if w := l.wrong(t, known, start); w != 0 {
			t.Fatalf("attempt %d waits %s", n+1, w)
		}
	}
	if w := l.wrong(t, known, start); w != time.Second {
		t.Errorf("then it waits %s", w)
	}
	known.Address = netip.MustParseAddr("10.0.0.2")
	if w := l.wrong(t, known, start); w != time.Second {
		t.Errorf("from another address it waits %s", w)
	}
	if w := l.wrong(t, at("ann", "10.0.0.1"), start); w != 0 {
		t.Errorf("its mistakes make others wait %s", w)
	}
}

// One address cannot try one password on every account.
func TestAnAddressWaitsOverAllAccounts(t *testing.T) {
	l := &Limits{}
	for n := range freeOfAddress {
		if w := l.wrong(t, at(fmt.Sprint("user", n), "2001:db8:1:2::1"), start); w != 0 {
			t.Fatalf("account %d waits %s", n, w)
		}
	}
	if w := l.wrong(t, at("another", "2001:db8:1:2:ffff::9"), start); w != time.Second {
		t.Errorf("the same network waits %s", w)
	}
	if w := l.wrong(t, at("another", "2001:db8:1:3::1"), start); w != 0 {
		t.Errorf("another network waits %s", w)
	}
}

// Many addresses that guess at one account have one attempt each; the first of an
// address is heard all the same.
// Whoever sends on while made to wait is told each time, and it is news once for each
// attempt that was counted: what is written of it stays bounded.
func TestBeingMadeToWaitIsNewsOnce(t *testing.T) {
	l, now := &Limits{}, start
	news := 0
	send := func(a Attempt) {
		var wait *WaitError
		if _, err := l.Begin(a, now); errors.As(err, &wait) && !wait.Again {
			news++
		}
	}
	for range freeOfPair + 100 {
		send(at("ann", "10.0.0.1"))
	}
	if news != 1 {
		t.Errorf("100 attempts that came too early are news %d times", news)
	}
	now = now.Add(time.Second)
	for range 100 { // the first is heard
		send(at("ann", "10.0.0.1"))
	}
	if news != 2 {
		t.Errorf("after one more wrong password they are news %d times", news)
	}
	for n := range freeOfAddress + 500 { // every time another name
		send(at(fmt.Sprint("n", n), "10.0.0.2"))
	}
	if news != 3 {
		t.Errorf("500 names from one address are news %d times", news-2)
	}
	for range freeOfTokens + 100 {
		var wait *WaitError
		if err := l.WrongToken(netip.MustParseAddr("10.0.0.3"), now); errors.As(err, &wait) && !wait.Again {
			news++
		}
	}
	if news != 4 {
		t.Errorf("100 wrong tokens are news %d times", news-3)
	}
}

func TestACrowdGetsOneAttemptEach(t *testing.T) {
	l := &Limits{}
	address := func(n int) string { return fmt.Sprintf("10.0.%d.%d", n/200, n%200+1) }
	for n := range crowd {
		if w := l.wrong(t, at("ann", address(n)), start); w != 0 {
			t.Fatalf("guess %d waits %s", n, w)
		}
	}
	if !l.Crowded("Ann", start) || l.Crowded("bob", start) {
		t.Error("the crowd is not seen, or seen elsewhere")
	}
	if w := l.wrong(t, at("ann", address(crowd)), start); w != 0 {
		t.Errorf("the first attempt of an address waits %s", w)
	}
	if w := l.wrong(t, at("ann", address(crowd)), start); w != crowdDelay {
		t.Errorf("the second one waits %s", w)
	}
	if w := l.wrong(t, at("bob", address(crowd)), start); w != 0 {
		t.Errorf("another account waits %s", w)
	}
}

func TestARightPasswordClearsTheWay(t *testing.T) {
	l := &Limits{}
	for range freeOfPair - 1 {
		l.wrong(t, at("ann", "10.0.0.1"), start)
	}
	right, err := l.Begin(at("ann", "10.0.0.1"), start)
	if err != nil {
		t.Fatal(err)
	}
	if w := l.wrong(t, at("ann", "10.0.0.1"), start); w == 0 {
		t.Error("while one attempt is looked at, another one beyond the free ones is heard")
	}
	right()
	if w := l.wrong(t, at("ann", "10.0.0.1"), start); w != 0 {
		t.Errorf("after a right password it waits %s", w)
	}
	// The address's mistakes with other accounts are not wiped by its own account.
	for n := range freeOfAddress {
		l.wrong(t, at(fmt.Sprint("user", n), "10.0.0.9"), start)
		if right, err := l.Begin(at("own", "10.0.0.9"), start); err == nil {
			right()
		}
	}
	if w := l.wrong(t, at("next", "10.0.0.9"), start); w == 0 {
		t.Error("signing in to an account of one's own wipes the guesses at others")
	}
}

func TestMemoryIsBounded(t *testing.T) {
	l, now := &Limits{}, start
	for n := range 3 * maxCounts / 2 {
		now = now.Add(time.Millisecond)
		l.wrong(t, at(fmt.Sprint("user", n), fmt.Sprintf("2001:db8:%x:%x::1", n/0xffff, n%0xffff)), now)
		if len(l.counts) > maxCounts {
			t.Fatalf("%d counts after %d attempts", len(l.counts), n)
		}
	}
	if len(l.counts) < maxCounts/2 {
		t.Errorf("only %d counts are left", len(l.counts))
	}
}

func TestMarks(t *testing.T) {
	key, other := []byte("key"), []byte("other key")
	carried := withMark(key, "Ann", "", newMark(key, "Ann"))
	if markFor(key, "ANN", carried) == "" {
		t.Error("the mark of an account is not found under its name in capitals")
	}
	if markFor(key, "bob", carried) != "" || markFor(other, "ann", carried) != "" || markFor(key, "ann", "AAAA") != "" || markFor(key, "ann", carried[1:]) != "" {
		t.Error("a mark is taken that is none")
	}
	for n := range 2 * maxMarks {
		name := fmt.Sprint("user", n)
		carried = withMark(key, name, carried, newMark(key, name))
		carried = withMark(key, name, carried, newMark(key, name))
	}
	for n := range 2 * maxMarks {
		if held := markFor(key, fmt.Sprint("user", n), carried) != ""; held != (n >= maxMarks) {
			t.Errorf("the mark of account %d is held: %v", n, held)
		}
	}
	if len(carried) > 1000 {
		t.Errorf("the cookie has %d bytes", len(carried))
	}
}

// A clock that goes back makes nobody wait longer than the bound, and does not keep a count
// for good: after a quarter of an hour without a wrong password it is forgotten.
func TestAClockSetBackMakesNobodyWaitForIt(t *testing.T) {
	l := &Limits{}
	for range freeOfPair + 1 {
		l.wrong(t, at("ann", "10.0.0.1"), start)
	}
	back := start.AddDate(0, 0, -1)
	if w := l.wrong(t, at("ann", "10.0.0.1"), back); w <= 0 || w > maxDelay {
		t.Errorf("with the clock a day back the wait is %s", w)
	}
	if w := l.wrong(t, at("ann", "10.0.0.1"), back.Add(maxDelay)); w != 0 {
		t.Errorf("a minute later it is %s still", w)
	}
	right, err := l.Begin(at("ann", "10.0.0.1"), back.Add(forgetAfter+2*maxDelay))
	if err != nil {
		t.Fatalf("the right password after a quarter of an hour: %v", err)
	}
	right()
	for n := range crowd {
		l.wrong(t, at("bob", fmt.Sprintf("10.1.%d.1", n)), start)
	}
	if !l.Crowded("bob", back) || l.Crowded("bob", back.Add(forgetAccounts+time.Second)) {
		t.Error("a crowd is forgotten at once, or never")
	}
}
