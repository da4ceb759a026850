package bedside

import (
	"net/http"
	"slices"
	"strconv"
	"sync"
	"time"

	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// recently is how long a set that was begun and not stored is shown to others.
const recently = 20 * time.Minute

// manyBegun bounds what is remembered, whatever is sent.
const manyBegun = 2000

// begunSet is a set that somebody has begun.
type begunSet struct {
	stay, set string
	account   int64
	who       string
	at        time.Time
}

// begun remembers the sets that were begun and not stored yet, so that two people do not
// stand one patient twice. It lives in memory: what it forgets by a restart is a hint.
type begun struct {
	mu   sync.Mutex
	sets []begunSet
}

// add remembers a set; one that was begun before stays at its first moment.
func (b *begun) add(s begunSet) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.sets = slices.DeleteFunc(b.sets, func(old begunSet) bool { return s.at.Sub(old.at) > recently })
	known := slices.ContainsFunc(b.sets, func(old begunSet) bool { return old.stay == s.stay && old.set == s.set })
	if !known && len(b.sets) < manyBegun {
		b.sets = append(b.sets, s)
	}
}

// end forgets a set that is stored.
func (b *begun) end(stay, set string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.sets = slices.DeleteFunc(b.sets, func(old begunSet) bool { return old.stay == stay && old.set == set })
}

// others are the sets that other accounts have begun on a stay in the last 20 minutes.
func (b *begun) others(stay string, account int64, now time.Time) (out []begunSet) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.sets {
		if s.stay == stay && s.account != account && now.Sub(s.at) <= recently {
			out = append(out, s)
		}
	}
	return out
}

// beginSet is told by the script that a set was begun, and answers with those of others.
func (s *service) beginSet(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	a, now := frame.AccountOf(c), s.Clock()
	stay := frame.StayOf(c).View.Assessment.Digest.StayID
	says := []string{}
	t := s.Times(now, true)
	for _, o := range s.begun.others(stay, a.ID, now) {
		says = append(says, text.Say("bedside.begun-by", o.who, t.Time(o.at)))
	}
	set := form.Get("set")
	if len(set) > 36 || form.Get("account") != strconv.FormatInt(a.ID, 10) {
		return frame.Tell(http.StatusBadRequest, text.Say("bedside.title"), text.Say("bedside.wrong-set"))
	}
	s.begun.add(begunSet{stay, set, a.ID, a.Name, now})
	return frame.Document(http.StatusOK, map[string][]string{"others": says})
}
