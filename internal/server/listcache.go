package server

import (
	"bytes"
	"context"
	"html/template"
	"sync"
	"time"

	"golang.org/x/sync/singleflight"
)

// listCache keeps the list of each unit for the minute and the state of the data
// for which it was made: fifty people who look at once cost one computation. What
// is kept is the content alone, under all that it depends on. What is an account's
// own stands in the frame, which is made for each request.
type listCache struct {
	flight singleflight.Group
	mu     sync.Mutex
	lists  map[listKey]*keptList
}

// listKey names a list apart from its moment: no other part of an account may
// change what it holds.
type listKey struct {
	unit string
	sees sight
}

// keptList is the content of a list's page, with the pages made of it.
type keptList struct {
	minute time.Time
	data   string
	body   template.HTML

	mu    sync.Mutex
	pages map[string]*page // by the frame around the content, letter by letter
}

func newKeptList(body template.HTML) *keptList { return &keptList{body: body} }

// maxFrames bounds the pages kept of one list; further ones are made each time.
const maxFrames = 16

// gap stands in a frame for the content. Templates never write this byte: of what
// they are given it is replaced.
const gap = "\x00"

type shellView struct {
	frame
	Body template.HTML
}

// within puts a frame around the list.
func (k *keptList) within(p *pages, f frame) (*page, error) {
	around, err := p.render("shell", shellView{f, gap})
	if err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if made := k.pages[string(around)]; made != nil {
		return made, nil
	}
	made := newPage(bytes.Replace(around, []byte(gap), []byte(k.body), 1))
	if k.pages == nil {
		k.pages = map[string]*page{}
	}
	if len(k.pages) < maxFrames {
		k.pages[string(around)] = made
	}
	return made, nil
}

// renderPatience is how long a list may take to be made, whoever waits for it.
const renderPatience = 30 * time.Second

// get returns the list of a unit at a minute and a state of the data, made by make if it is not kept.
// The work goes on for the others when the one who began it leaves.
func (l *listCache) get(ctx context.Context, key listKey, minute time.Time, data string, make func(context.Context) (template.HTML, error)) (*keptList, error) {
	if k := l.kept(key, minute, data); k != nil {
		return k, nil
	}
	name := key.unit + "\x00" + key.sees.String() + "\x00" + minute.Format(time.RFC3339) + "\x00" + data
	answer := l.flight.DoChan(name, func() (any, error) {
		if k := l.kept(key, minute, data); k != nil {
			return k, nil // made between the look and the call
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), renderPatience)
		defer cancel()
		body, err := make(ctx)
		if err != nil {
			return nil, err
		}
		k := &keptList{minute: minute, data: data, body: body}
		l.keep(key, k)
		return k, nil
	})
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case r := <-answer:
		if r.Err != nil {
			return nil, r.Err
		}
		return r.Val.(*keptList), nil
	}
}

func (l *listCache) kept(key listKey, minute time.Time, data string) *keptList {
	l.mu.Lock()
	defer l.mu.Unlock()
	if k, ok := l.lists[key]; ok && k.minute.Equal(minute) && k.data == data {
		return k
	}
	return nil
}

func (l *listCache) keep(key listKey, fresh *keptList) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lists == nil {
		l.lists = map[listKey]*keptList{}
	}
	if k, ok := l.lists[key]; !ok || !k.minute.After(fresh.minute) {
		l.lists[key] = fresh
	}
}
