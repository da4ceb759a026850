package huddle

import (
	"net/url"
	"slices"
	"strings"

	"plumbline/internal/alerts"
	"plumbline/internal/text"
)

// Orders of the list.
const (
	byRank    = "rank"
	byBed     = "bed"
	byRecheck = "recheck"
)

// choice is what a reader has chosen to see of a list. It stands in the address, so
// that it can be kept, sent on and printed. The zero value is the whole list.
type choice struct {
	tiers    []string // in the order of the tiers; nil for all
	from, to string   // beds, ends included; "" for no end
	unnamed  bool     // only who is owed something that nobody has been given
	sort     string   // one of the orders; "" for byRank
	noNames  bool     // beds alone, for a screen that others see
}

// Parameters of a choice.
const (
	tierParam  = "tier"
	fromParam  = "from"
	toParam    = "to"
	givenParam = "given"
	sortParam  = "sort"
	namesParam = "names"
	off        = "off"
	nobody     = "nobody"
)

// choiceOf reads a choice from an address. What it does not know is left out.
func choiceOf(q url.Values) choice {
	c := choice{
		from: bedText(q.Get(fromParam)), to: bedText(q.Get(toParam)), unnamed: q.Get(givenParam) == nobody,
		noNames: q.Get(namesParam) == off,
	}
	for _, tier := range alerts.Tiers {
		if slices.Contains(q[tierParam], tier) {
			c.tiers = append(c.tiers, tier)
		}
	}
	if len(c.tiers) == len(alerts.Tiers) {
		c.tiers = nil
	}
	if s := q.Get(sortParam); s == byBed || s == byRecheck {
		c.sort = s
	}
	return c
}

// maxBed bounds the name of a bed, in bytes.
const maxBed = 40

func bedText(s string) string {
	if s = strings.TrimSpace(s); len(s) <= maxBed {
		return s
	}
	return ""
}

// query is the choice as it stands in an address: one way of writing each.
func (c choice) query() url.Values {
	q := url.Values{}
	for _, tier := range c.tiers {
		q.Add(tierParam, tier)
	}
	set := func(name, value string) {
		if value != "" {
			q.Set(name, value)
		}
	}
	set(fromParam, c.from)
	set(toParam, c.to)
	set(sortParam, c.sort)
	if c.unnamed {
		q.Set(givenParam, nobody)
	}
	if c.noNames {
		q.Set(namesParam, off)
	}
	return q
}

// holds reports whether a patient is chosen, apart from what has been given to whom.
func (c choice) holds(a alerts.Assessment) bool {
	bed := a.Digest.Stay.Bed
	return (c.tiers == nil || slices.Contains(c.tiers, a.Tier)) &&
		(c.from == "" || bed != "" && alerts.CompareBeds(bed, c.from) >= 0) &&
		(c.to == "" || bed != "" && (alerts.CompareBeds(bed, c.to) <= 0 || partOf(bed, c.to)))
}

// partOf reports whether a bed is one of those that a shorter name stands for: 9A
// and 9B are beds of 9, 90 is none.
func partOf(bed, name string) bool {
	rest, ok := strings.CutPrefix(bed, name)
	return ok && rest != "" && (rest[0] < '0' || rest[0] > '9')
}

// ordered is the list in the chosen order.
func (c choice) ordered(list []alerts.Assessment) []alerts.Assessment {
	switch c.sort {
	case byBed:
		list = slices.Clone(list)
		slices.SortStableFunc(list, func(a, b alerts.Assessment) int {
			return alerts.CompareBeds(a.Digest.Stay.Bed, b.Digest.Stay.Bed)
		})
	case byRecheck:
		list = slices.Clone(list)
		slices.SortStableFunc(list, func(a, b alerts.Assessment) int {
			x, y := a.Recheck.DueAt, b.Recheck.DueAt
			switch {
			case x == nil && y == nil:
				return 0
			case x == nil:
				return 1
			case y == nil:
				return -1
			}
			return x.Compare(*y)
		})
	}
	return list
}

// words says what the choice leaves, "" for all.
func (c choice) words() []string {
	var out []string
	var names []string
	for _, tier := range c.tiers {
		names = append(names, text.TierNames[tier])
	}
	if len(names) > 0 {
		out = append(out, text.List(names))
	}
	switch {
	case c.from != "" && c.to != "":
		out = append(out, text.Say("huddle.beds-from-to", c.from, c.to))
	case c.from != "":
		out = append(out, text.Say("huddle.beds-from", c.from))
	case c.to != "":
		out = append(out, text.Say("huddle.beds-to", c.to))
	}
	if c.unnamed {
		out = append(out, text.Say("huddle.only-unnamed"))
	}
	return out
}
