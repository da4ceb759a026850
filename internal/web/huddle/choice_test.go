package huddle

import (
	"net/url"
	"strings"
	"testing"

	"plumbline/internal/alerts"
)

func TestAChoiceStandsInTheAddress(t *testing.T) {
	for _, tc := range []struct{ query, kept string }{
		{"", ""},
		{"tier=today&tier=now", "tier=now&tier=today"},
		{"tier=now&tier=this_shift&tier=today&tier=watch&tier=none", ""}, // all is no choice
		{"tier=urgent&sort=name&names=on", ""},
		{"given=mine&owed=set&owed=review&hour=overdue", "given=mine&hour=overdue&owed=review&owed=set"},
		{"lacks=bed+alarm&mark=fell&new=fall&mark=fell", "lacks=bed+alarm&mark=fell&new=fall"},
		{"given=" + strings.Repeat("x", 257) + "&owed=" + strings.Repeat("x", 41), ""},
		{"given=" + strings.Repeat("x", 64), "given=" + strings.Repeat("x", 64)}, // as long as a name may be
		{"from=+4+&to=12A&sort=bed", "from=4&sort=bed&to=12A"},
		{"sort=rank&given=nobody&names=off", "given=nobody&names=off"},
		{"from=" + strings.Repeat("x", 41), ""},
	} {
		q, err := url.ParseQuery(tc.query)
		if err != nil {
			t.Fatal(err)
		}
		c := choiceOf(q)
		if got := c.query().Encode(); got != tc.kept {
			t.Errorf("%s is kept as %s, want %s", tc.query, got, tc.kept)
		}
		if again := choiceOf(c.query()); again.query().Encode() != tc.kept {
			t.Errorf("%s is read again otherwise", tc.kept)
		}
	}
}

// A filter that there is not is left out and named: an old bookmark empties no huddle.
func TestAnUnknownFilterIsNamed(t *testing.T) {
	for query, want := range map[string]string{
		"owed=bogus&owed=set": "owed=bogus", "hour=25&hour=7&hour=07": "hour=25 hour=7", "lacks=net&mark=x&new=y": "lacks=net mark=x new=y",
		"tier=urgent&sort=name": "tier=urgent sort=name", "given=Bo": "given=Bo", "given=Ann&owed=": "", "given=mine": "",
		"sort=rank&tier=": "", "owed=" + strings.Repeat("é", 60): "owed=" + strings.Repeat("é", 35) + "…",
	} {
		q, err := url.ParseQuery(query)
		if err != nil {
			t.Fatal(err)
		}
		c := choiceOf(q).among([]string{"Ann"})
		if got := strings.Join(c.unknown, " "); got != want {
			t.Errorf("%s names %q, want %q", query, got, want)
		}
		for _, one := range strings.Fields(want) {
			if strings.Contains(c.query().Encode(), one) {
				t.Errorf("%s keeps %s", query, one)
			}
		}
	}
}

// inBed is a patient in a bed.
func inBed(bed, tier string) alerts.Assessment {
	var a alerts.Assessment
	a.Digest.Stay.Bed, a.Tier = bed, tier
	return a
}

func TestBedsOfARange(t *testing.T) {
	beds := []string{"1", "4", "9", "9A", "9B", "10", "12A", "90", ""}
	for _, tc := range []struct{ from, to, want string }{
		{"", "", "1 4 9 9A 9B 10 12A 90 "},
		{"4", "9", "4 9 9A 9B"}, // 9 stands for 9A and 9B, and not for 90
		{"4", "9A", "4 9 9A"},
		{"10", "", "10 12A 90"},
		{"", "4", "1 4"},
		{"9A", "9A", "9A"},
	} {
		var got []string
		for _, bed := range beds {
			if (choice{from: tc.from, to: tc.to}).holds(inBed(bed, alerts.Now)) {
				got = append(got, bed)
			}
		}
		if strings.Join(got, " ") != tc.want {
			t.Errorf("beds %q to %q: %q, want %q", tc.from, tc.to, got, tc.want)
		}
	}
	only := choice{tiers: []string{alerts.Today}}
	if only.holds(inBed("1", alerts.Now)) || !only.holds(inBed("1", alerts.Today)) {
		t.Error("a choice of tiers does not choose by tier")
	}
}

func TestTheOrderIsChosen(t *testing.T) {
	list := []alerts.Assessment{inBed("12A", alerts.Now), inBed("", alerts.Now), inBed("4", alerts.Today)}
	bed := func(a alerts.Assessment) string { return a.Digest.Stay.Bed }
	order := func(c choice) string {
		var out []string
		for _, a := range c.ordered(list) {
			out = append(out, bed(a))
		}
		return strings.Join(out, ",")
	}
	if got := order(choice{}); got != "12A,,4" {
		t.Errorf("by rank: %s", got)
	}
	if got := order(choice{sort: byBed}); got != "4,12A," {
		t.Errorf("by bed: %s", got)
	}
	soon := inBed("7", alerts.Now).At
	list[2].Recheck.DueAt = &soon
	if got := order(choice{sort: byRecheck}); got != "4,12A," {
		t.Errorf("by recheck: %s", got)
	}
	if bed(list[0]) != "12A" {
		t.Error("the list itself was sorted")
	}
}
