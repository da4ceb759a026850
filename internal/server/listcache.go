package server

import (
	"context"
	"sync"
	"time"

	"golang.org/x/sync/singleflight"
)

// listCache keeps the page of each unit for the minute and the state of the data
// for which it was made: fifty people who look at once cost one computation.
type listCache struct {
	flight singleflight.Group
	mu     sync.Mutex
	pages  map[string]keptPage
}

type keptPage struct {
	minute time.Time
	data   string
	page   *page
}

// renderPatience is how long a page may take to be made, whoever waits for it.
const renderPatience = 30 * time.Second

// get returns the page of a unit at a minute and a state of the data, made by make if it is not kept.
// The work goes on for the others when the one who began it leaves.
func (l *listCache) get(ctx context.Context, unit string, minute time.Time, data string, make func(context.Context) (*page, error)) (*page, error) {
	if p := l.kept(unit, minute, data); p != nil {
		return p, nil
	}
	answer := l.flight.DoChan(unit+"\x00"+minute.Format(time.RFC3339)+"\x00"+data, func() (any, error) {
		if p := l.kept(unit, minute, data); p != nil {
			return p, nil // made between the look and the call
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), renderPatience)
		defer cancel()
		p, err := make(ctx)
		if err == nil {
			l.keep(unit, minute, data, p)
		}
		return p, err
	})
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case r := <-answer:
		if r.Err != nil {
			return nil, r.Err
		}
		return r.Val.(*page), nil
	}
}

func (l *listCache) kept(unit string, minute time.Time, data string) *page {
	l.mu.Lock()
	defer l.mu.Unlock()
	if k, ok := l.pages[unit]; ok && k.minute.Equal(minute) && k.data == data {
		return k.page
	}
	return nil
}

func (l *listCache) keep(unit string, minute time.Time, data string, p *page) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.pages == nil {
		l.pages = map[string]keptPage{}
	}
	if k, ok := l.pages[unit]; !ok || !k.minute.After(minute) {
		l.pages[unit] = keptPage{minute, data, p}
	}
}
