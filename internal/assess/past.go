package assess

import (
	"slices"
	"sync"
	"time"

	"plumbline/internal/trends"
)

// maxPast bounds the stays kept: some years of a large unit, at a few kilobytes each.
const maxPast = 20000

// pastStays keeps what stays that are over add to the figures of their units. A year
// of a unit holds thousands of stays whose facts change no more; reading them all
// again for each look would take seconds.
type pastStays struct {
	mu    sync.Mutex
	stays map[string]pastStay
}

// pastStay holds for one basis and revision, and for moments from made until until
// (zero: no end).
type pastStay struct {
	basis       string
	revision    int64
	made, until time.Time
	span        span
	stay        trends.UnitStay // without looks
	looks       map[lookKey]*trends.PrecautionLook
}

type lookKey struct {
	unit string
	at   time.Time
}

func keyOf(unit string, at time.Time) lookKey { return lookKey{unit, at.UTC().Round(0)} }

// get returns what is kept of a stay, if it holds and answers the whole question.
func (p *pastStays) get(stay, basis string, revision int64, q unitQuestion) (trends.UnitStay, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	k, ok := p.stays[stay]
	if !ok || k.basis != basis || k.revision != revision || q.now.Before(k.made) || !k.until.IsZero() && !q.now.Before(k.until) {
		return trends.UnitStay{}, false
	}
	out := k.stay
	for _, at := range q.ends {
		if !k.span.holds(at) {
			continue
		}
		g, looked := k.looks[keyOf(q.unit, at)]
		if !looked {
			return trends.UnitStay{}, false
		}
		if g != nil {
			out.Looks = append(out.Looks, *g)
		}
	}
	return out, true
}

// keep keeps a stay that is over at the question's moment: nothing of it falls due
// any more. What was looked up of the same state before stays with it.
func (p *pastStays) keep(stay string, k pastStay, q unitQuestion) {
	if !isOver(k.stay.Presences, q.now) {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	k.looks = map[lookKey]*trends.PrecautionLook{}
	if before, ok := p.stays[stay]; ok && before.basis == k.basis && before.revision == k.revision {
		for at, g := range before.looks {
			k.looks[at] = g
		}
		if before.made.Before(k.made) {
			k.made = before.made
		}
	}
	for _, at := range q.ends {
		if k.span.holds(at) {
			k.looks[keyOf(q.unit, at)] = nil
		}
	}
	for _, g := range k.stay.Looks {
		k.looks[keyOf(q.unit, g.At)] = &g
	}
	k.stay.Looks = nil
	if p.stays == nil {
		p.stays = map[string]pastStay{}
	}
	for other := range p.stays { // any will do: what is dropped is made again
		if len(p.stays) < maxPast {
			break
		}
		delete(p.stays, other)
	}
	p.stays[stay] = k
}

func isOver(presences []trends.Presence, now time.Time) bool {
	return !slices.ContainsFunc(presences, func(p trends.Presence) bool { return p.To.IsZero() || p.To.After(now) })
}
