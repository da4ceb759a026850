package huddle

import (
	"bytes"
	"context"
	"html/template"
	"sync"
	"time"

	"golang.org/x/sync/singleflight"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/web/frame"
)

// listCache keeps the answer about each unit for the minute and the state of the data
// for which it was made, with what was rendered of it: fifty people who look at once
// cost one computation. What is kept is the content alone, under all that it depends
// on. What is an account's own stands in the frame, which is made for each request.
type listCache struct {
	flight singleflight.Group
	mu     sync.Mutex
	lists  map[string]*keptList // by unit
}

// answer is all that the huddle's page of a unit tells at a moment, before it depends
// on who looks, what they choose to see and who was given what.
type answer struct {
	at        time.Time
	list      []alerts.Assessment
	since     alerts.Since
	came      map[string]alerts.Arrival // by stay: of those who were on another unit before
	nextShift time.Time
	people    []string       // who can be given what is owed
	dues      []episodes.Due // what the list says is owed

	then    []alerts.Assessment // the list of the last huddle
	thenFor string              // what then rests on
}

// keptList is the answer about a unit, with the contents and pages made of it.
type keptList struct {
	minute time.Time
	data   string
	answer *answer

	flight singleflight.Group
	mu     sync.Mutex
	bodies map[string]template.HTML   // by all that they depend on besides the answer
	pages  map[string]*frame.Rendered // by body and frame, letter by letter
}

// Bounds of what is kept of one answer; further ones are made each time.
const (
	maxBodies = 24
	maxFrames = 48
)

// gap stands in a rendered frame for the content. No template puts this byte into a page:
// html/template writes another character wherever a value holds it.
const gap = "\x00"

type shellView struct {
	frame.Layout
	Body template.HTML
}

// body is the content under a name that tells all that it depends on.
func (k *keptList) body(name string, render func(*answer) (template.HTML, error)) (template.HTML, error) {
	k.mu.Lock()
	made, ok := k.bodies[name]
	k.mu.Unlock()
	if ok {
		return made, nil
	}
	html, err, _ := k.flight.Do(name, func() (any, error) {
		body, err := render(k.answer)
		if err != nil {
			return body, err
		}
		k.mu.Lock()
		defer k.mu.Unlock()
		if k.bodies == nil {
			k.bodies = map[string]template.HTML{}
		}
		if len(k.bodies) < maxBodies {
			k.bodies[name] = body
		}
		return body, nil
	})
	if err != nil {
		return "", err
	}
	return html.(template.HTML), nil
}

// within puts a frame around a content of this name.
func (k *keptList) within(p *frame.Pages, f frame.Layout, name string, body template.HTML) (frame.Page, error) {
	around, err := p.Render("shell", shellView{f, gap})
	if err != nil {
		return nil, err
	}
	key := name + gap + string(around)
	k.mu.Lock()
	defer k.mu.Unlock()
	if made := k.pages[key]; made != nil {
		return made, nil
	}
	made := frame.Finish(bytes.Replace(around, []byte(gap), []byte(body), 1))
	if k.pages == nil {
		k.pages = map[string]*frame.Rendered{}
	}
	if len(k.pages) < maxFrames {
		k.pages[key] = made
	}
	return made, nil
}

// renderPatience is how long an answer may take to be made, whoever waits for it.
const renderPatience = 30 * time.Second

// get returns the answer about a unit at a minute and a state of the data, made by
// make if it is not kept; make is given the one that was kept before, if any. The
// work goes on for the others when the one who began it leaves.
func (l *listCache) get(
	ctx context.Context, unit string, minute time.Time, data string, make func(context.Context, *answer) (*answer, error),
) (*keptList, error) {
	if k := l.kept(unit, minute, data); k != nil {
		return k, nil
	}
	name := unit + "\x00" + minute.Format(time.RFC3339) + "\x00" + data
	done := l.flight.DoChan(name, func() (any, error) {
		if k := l.kept(unit, minute, data); k != nil {
			return k, nil // made between the look and the call
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), renderPatience)
		defer cancel()
		a, err := make(ctx, l.before(unit))
		if err != nil {
			return nil, err
		}
		k := &keptList{minute: minute, data: data, answer: a}
		l.keep(unit, k)
		return k, nil
	})
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case r := <-done:
		if r.Err != nil {
			return nil, r.Err
		}
		return r.Val.(*keptList), nil
	}
}

func (l *listCache) kept(unit string, minute time.Time, data string) *keptList {
	l.mu.Lock()
	defer l.mu.Unlock()
	if k, ok := l.lists[unit]; ok && k.minute.Equal(minute) && k.data == data {
		return k
	}
	return nil
}

// before is the answer kept of a unit, whatever it rests on; nil for none.
func (l *listCache) before(unit string) *answer {
	l.mu.Lock()
	defer l.mu.Unlock()
	if k, ok := l.lists[unit]; ok {
		return k.answer
	}
	return nil
}

func (l *listCache) keep(unit string, fresh *keptList) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lists == nil {
		l.lists = map[string]*keptList{}
	}
	if k, ok := l.lists[unit]; !ok || !k.minute.After(fresh.minute) {
		l.lists[unit] = fresh
	}
}
