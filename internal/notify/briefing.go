package notify

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// Briefing is what is owed before a huddle: figures by unit, and nobody by name.
type Briefing struct {
	ID    string         `json:"id"`
	Type  string         `json:"type"`
	Date  string         `json:"date"` // of the huddle, by the site's calendar
	At    time.Time      `json:"at"`   // when it was made
	Units []BriefingUnit `json:"units"`
	// Commissioning are the units whose feeds nobody has said were checked. What is owed there
	// is left out.
	Commissioning []string `json:"commissioning"`
	// Missing are what feeds of units do not bring as they should.
	Missing []BriefingGap `json:"missing"`
	Link    string        `json:"link"`
}

// BriefingGap is a measure of what feeds bring of a unit that falls short: see feedcheck.
type BriefingGap struct {
	Unit    string `json:"unit"`
	Feed    string `json:"feed"` // where one of several falls short; "" for all together
	Measure string `json:"measure"`
	State   string `json:"state"`
	Since   string `json:"since"` // the first day of it, by the site's calendar; "" where it is not known
	Says    string `json:"says"`
}

// BriefingUnit is what is owed on one unit, "" for the feeds.
type BriefingUnit struct {
	Unit string         `json:"unit"`
	Owed []BriefingLine `json:"owed"`
	// Stale says that the unit's list is old, by what is beside it (U-FRESH).
	Stale          bool                        `json:"stale"`
	NewestVitalsAt *time.Time                  `json:"newest_vitals_at"`
	LastCame       map[clinical.Kind]time.Time `json:"last_came,omitempty"` // by kind, where the list is old
}

// BriefingLine counts the things of one tier and kind that are owed: see episodes.Things.
type BriefingLine struct {
	Tier        string    `json:"tier"`
	Kind        string    `json:"kind"`
	Title       string    `json:"title"`
	Count       int       `json:"count"`
	Taken       int       `json:"taken"`    // of them in somebody's hands: given, taken, or told to the provider
	Deferred    int       `json:"deferred"` // put off by somebody, or by an answer
	OldestSince time.Time `json:"oldest_since"`
	// Bleeding counts the falls of them on a drug that makes a fall bleed, Drugs names these.
	Bleeding int      `json:"bleeding"`
	Drugs    []string `json:"drugs"`
}

// briefingPrefix starts the id of a briefing; the rest is its date.
const briefingPrefix = "digest-"

// BriefingID is the id of the briefing of a date.
func BriefingID(d Date) string { return briefingPrefix + d.String() }

// BriefingOf gathers what is owed, the units in the order of their names and the
// feeds last, on each the most pressing first. Of units in commissioning it is said that they
// are, and nothing else.
func (s Site) BriefingOf(
	d Date, at time.Time, owed []records.Episode, ages map[string]alerts.Freshness, news FeedNews,
) Briefing {
	out := Briefing{
		ID: BriefingID(d), Type: "digest", Date: d.String(), At: at.UTC(), Units: []BriefingUnit{},
		Commissioning: append([]string{}, news.Commissioning...), Link: s.PublicURL,
	}
	c := text.Catalogue{Zone: s.Zone, At: at}
	out.Missing = make([]BriefingGap, 0, len(news.Gaps))
	for _, g := range news.Gaps {
		out.Missing = append(out.Missing, BriefingGap{
			Unit: g.Unit, Feed: g.Feed, Measure: string(g.Habit.Measure), State: string(g.Habit.State),
			Since: s.dayOf(g.Habit.Since), Says: c.BriefingGap(g.Unit, g),
		})
	}
	told := func(unit string) bool { return unit == "" || !slices.Contains(news.Commissioning, unit) }
	byUnit := map[string][]records.Episode{}
	for _, e := range owed {
		if e.Active() && told(e.Unit) {
			byUnit[e.Unit] = append(byUnit[e.Unit], e)
		}
	}
	for unit, age := range ages {
		if age.Stale && told(unit) && byUnit[unit] == nil {
			byUnit[unit] = []records.Episode{} // "nothing owed" by an old list is to be told
		}
	}
	for unit, list := range byUnit {
		age := ages[unit]
		out.Units = append(out.Units, BriefingUnit{unit, briefingLines(list), age.Stale, age.Newest, age.Came})
	}
	slices.SortFunc(out.Units, func(a, b BriefingUnit) int {
		if (a.Unit == "") != (b.Unit == "") {
			return strings.Compare(b.Unit, a.Unit)
		}
		return strings.Compare(a.Unit, b.Unit)
	})
	return out
}

// dayOf is a day of the site's calendar; "" for the zero time.
func (s Site) dayOf(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(s.Zone).Format(time.DateOnly)
}

func briefingLines(list []records.Episode) []BriefingLine {
	out := []BriefingLine{}
	for _, e := range episodes.Things(list, nil) {
		tier := tierOfThing(e)
		n := slices.IndexFunc(out, func(l BriefingLine) bool { return l.Tier == tier && l.Kind == string(e.Kind) })
		if n < 0 {
			n = len(out)
			out = append(out, BriefingLine{
				Tier: tier, Kind: string(e.Kind), Title: text.EpisodeKinds[e.Kind],
				OldestSince: e.OwedSince().UTC(), Drugs: []string{},
			})
		}
		l := &out[n]
		l.Count++
		switch e.State {
		case episodes.Taken, episodes.Assigned, episodes.Told:
			l.Taken++
		case episodes.Deferred, episodes.Answered:
			l.Deferred++
		}
		for _, m := range e.Members {
			l.takeFall(m)
		}
		if e.OwedSince().Before(l.OldestSince) {
			l.OldestSince = e.OwedSince().UTC()
		}
	}
	slices.SortFunc(out, func(a, b BriefingLine) int {
		if c := slices.Index(alerts.Tiers, a.Tier) - slices.Index(alerts.Tiers, b.Tier); c != 0 {
			return c
		}
		return slices.Index(episodes.Kinds, records.EpisodeKind(a.Kind)) - slices.Index(episodes.Kinds, records.EpisodeKind(b.Kind))
	})
	return out
}

// tierOfThing is the most pressing tier of what a thing is made of.
func tierOfThing(t episodes.Thing) string {
	tiers := make([]string, len(t.Members))
	for n, e := range t.Members {
		tiers[n] = TierOf(e.Kind, e.Rule)
	}
	return slices.MinFunc(tiers, func(a, b string) int { return slices.Index(alerts.Tiers, a) - slices.Index(alerts.Tiers, b) })
}

// takeFall counts a fall on a drug that makes it bleed.
func (l *BriefingLine) takeFall(e records.Episode) {
	f, _ := e.Figures.(alerts.FellFigures)
	if len(f.Bleeds) == 0 {
		return
	}
	l.Bleeding++
	for _, b := range f.Bleeds {
		l.Drugs = append(l.Drugs, b.Drug)
	}
	slices.Sort(l.Drugs)
	l.Drugs = slices.Compact(l.Drugs)
}

// BriefingMessage puts a briefing as the store has it into words.
func (s Site) BriefingMessage(body []byte) (Message, error) {
	var d Briefing
	if err := json.Unmarshal(body, &d); err != nil {
		return Message{}, fmt.Errorf("reading a digest: %w; was it written by a newer program?", err)
	}
	c := text.Catalogue{Zone: s.Zone, At: d.At}
	f := d.figures()
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", c.BriefingLead(f))
	for _, u := range d.Units {
		fmt.Fprintf(&b, "\n%s\n", text.BriefingUnit(charted(u.Unit)))
		if old := c.Stale(alerts.Freshness{Newest: u.NewestVitalsAt, Stale: u.Stale, Came: u.LastCame}); old != "" {
			fmt.Fprintf(&b, "%s\n", old)
		}
		if len(u.Owed) == 0 {
			fmt.Fprintf(&b, "- %s\n", text.TierNames[alerts.None])
		}
		for _, l := range u.Owed {
			fmt.Fprintf(&b, "- %s\n", text.BriefingLine{
				Tier: tierWord(l.Tier), Title: l.Title, Count: l.Count, Taken: l.Taken, Deferred: l.Deferred,
				Oldest: max(0, d.At.Sub(l.OldestSince)),
			})
			if l.Bleeding > 0 {
				fmt.Fprintf(&b, "  %s\n", text.BriefingFalls{Falls: l.Bleeding, Drugs: allCharted(l.Drugs)})
			}
		}
	}
	if len(d.Units) == 0 {
		fmt.Fprintf(&b, "\n%s\n", text.BriefingNothing())
	}
	if len(d.Commissioning)+len(d.Missing) > 0 {
		fmt.Fprintf(&b, "\n%s\n", text.BriefingAdministrator())
	}
	for _, unit := range d.Commissioning {
		fmt.Fprintf(&b, "- %s\n", clean(text.BriefingCommissioning(unit)))
	}
	for _, g := range d.Missing {
		fmt.Fprintf(&b, "- %s\n", clean(g.Says))
	}
	if d.Link != "" {
		fmt.Fprintf(&b, "\n%s\n", d.Link)
	}
	b.WriteString(foot())
	return Message{ID: d.ID, JSON: body, Subject: text.BriefingSubject(f), Text: b.String()}, nil
}

func allCharted(list []string) []string {
	out := make([]string, len(list))
	for n, s := range list {
		out[n] = charted(s)
	}
	return out
}

// figures are what the head of a briefing tells.
func (d Briefing) figures() text.BriefingFigures {
	f := text.BriefingFigures{Date: d.Date, At: d.At}
	for _, u := range d.Units {
		if u.Stale {
			f.Old = append(f.Old, charted(u.Unit))
		}
		for _, l := range u.Owed {
			f.Owed += l.Count
		}
	}
	return f
}
