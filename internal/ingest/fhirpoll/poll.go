// Package fhirpoll reads a FHIR server: it searches each type of resource by _lastUpdated and
// takes the pages in as messages of the feed of FHIR. A page and the moment up to which it has
// been read are stored in one transaction, so that a poll resumes where it stopped.
package fhirpoll

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/records"
	"plumbline/internal/smart"
)

// Types are what is searched, in the order in which others refer to them.
var Types = []string{
	"Location", "Patient", "Practitioner", "Medication", "Encounter", "Condition", "Flag", "MedicationRequest",
	"MedicationAdministration", "Observation", "Procedure", "AdverseEvent",
}

// spared are the types without which a site can do: not every server offers them, and not every client
// may read them.
var spared = map[string]bool{
	"Location": true, "Practitioner": true, "Medication": true, "Flag": true, "Procedure": true, "AdverseEvent": true,
}

// Settings are where the server is, and who asks.
type Settings struct {
	URL    string // base address; https, or http on this machine
	Page   int    // resources a page that are asked for
	SignIn smart.Settings
}

// Receiver takes a page in; see ingest.Loader.
type Receiver interface {
	Receive(ctx context.Context, m records.Message, name string, text []byte) (records.Taken, string, error)
}

// Bookmarks find what was taken in; the error is clinical.NotFound where it was not.
type Bookmarks interface {
	Message(ctx context.Context, feed, id string) (records.Message, error)
}

// Poller polls one server.
type Poller struct {
	Settings  Settings
	Receiver  Receiver
	Bookmarks Bookmarks
	Client    *http.Client
	Clock     clinical.Clock
	Log       *slog.Logger
	Wait      func(ctx context.Context, d time.Duration) error // nil: by the clock

	signedIn *smart.SignIn
	denied   map[string]bool // types that the server does not offer, as the log was told
}

// overlap is how far back of the latest resource seen a poll begins: servers may show what was
// stored a little later than its lastUpdated says.
const overlap = time.Minute

// bookmark is the body of a message that was a page.
type bookmark struct {
	Since time.Time `json:"since"` // everything up to it has been read
	Sum   string    `json:"sum"`   // of the page
}

// Poll searches every type once, to its last page. A type that fails does not keep the
// others back.
func (p *Poller) Poll(ctx context.Context) error {
	var failed []error
	for _, kind := range Types {
		err := p.pollType(ctx, kind)
		switch {
		case err == nil:
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, errNotOffered):
			p.tellDenied(kind, err)
		default:
			failed = append(failed, fmt.Errorf("%s: %w", kind, err))
		}
	}
	return errors.Join(failed...)
}

// tellDenied tells the log once of a type that is not offered.
func (p *Poller) tellDenied(kind string, err error) {
	if p.denied[kind] {
		return
	}
	if p.denied == nil {
		p.denied = map[string]bool{}
	}
	p.denied[kind] = true
	if p.Log != nil {
		p.Log.Warn("the FHIR server does not offer a type of resources, and none of it is read", "type", kind, "why", err)
	}
}

// errNotOffered is a type of resources that the server has never shown, and without which a site can do.
var errNotOffered = errors.New("the server does not offer it")

func pageID(kind string, n int) string { return "poll " + kind + " " + strconv.Itoa(n) }

// last is the last page of a type that was taken in, and its number; 0 where none was.
func (p *Poller) last(ctx context.Context, kind string) (n int, b bookmark, err error) {
	at := func(n int) (bookmark, bool, error) {
		var b bookmark
		m, err := p.Bookmarks.Message(ctx, fhirfeed.Feed, pageID(kind, n))
		switch {
		case clinical.CodeOf(err) == clinical.NotFound:
			return b, false, nil
		case err != nil:
			return b, false, err
		}
		return b, true, json.Unmarshal(m.Body, &b)
	}
	// Pages are numbered without a gap: the last is found by doubling, then by halving.
	low, high := 0, 1
	for {
		c, there, err := at(high)
		if err != nil {
			return 0, b, err
		}
		if !there {
			break
		}
		low, b, high = high, c, 2*high
	}
	for high-low > 1 {
		middle := (low + high) / 2
		c, there, err := at(middle)
		switch {
		case err != nil:
			return 0, b, err
		case there:
			low, b = middle, c
		default:
			high = middle
		}
	}
	return low, b, nil
}

// pollType reads the pages of a type from the bookmark on.
func (p *Poller) pollType(ctx context.Context, kind string) error {
	n, mark, err := p.last(ctx, kind)
	if err != nil {
		return err
	}
	base, err := url.Parse(p.Settings.URL)
	if err != nil {
		return err
	}
	query := url.Values{"_sort": {"_lastUpdated"}, "_count": {strconv.Itoa(p.Settings.Page)}}
	if !mark.Since.IsZero() {
		query.Set("_lastUpdated", "ge"+mark.Since.Add(-overlap).UTC().Format(time.RFC3339Nano))
	}
	next := base.JoinPath(kind)
	next.RawQuery = query.Encode()
	run := newest{start: mark.Since, at: mark.Since}
	for next != nil {
		text, err := p.get(ctx, next)
		var refused *refusedError
		if errors.As(err, &refused) && n == 0 && spared[kind] {
			return fmt.Errorf("%w: %w", errNotOffered, err)
		}
		if err != nil {
			return err
		}
		page, err := readPage(text)
		if err != nil {
			return fmt.Errorf("a page of %s: %w", next.Path, err)
		}
		if next, err = page.next(next, base); err != nil {
			return err
		}
		run.see(page)
		sum := sha256.Sum256(text)
		now := bookmark{Since: run.since(next == nil), Sum: hex.EncodeToString(sum[:])}
		if len(page.Entry) == 0 || now == mark {
			continue // nothing that was not read before
		}
		n++
		if err := p.take(ctx, kind, n, now, text); err != nil {
			return err
		}
		mark = now
	}
	return nil
}

func (p *Poller) take(ctx context.Context, kind string, n int, b bookmark, text []byte) error {
	body, err := json.Marshal(b)
	if err != nil {
		return err
	}
	m := records.Message{
		Feed: fhirfeed.Feed, ID: pageID(kind, n), Sum: b.Sum, Who: p.Settings.URL, ReceivedAt: p.Clock(), Body: body,
	}
	_, reason, err := p.Receiver.Receive(ctx, m, pageID(kind, n)+".json", text)
	if err == nil && reason != "" {
		err = errors.New(reason)
	}
	return err
}

// page is a page of a search.
type page struct {
	ResourceType string `json:"resourceType"`
	Link         []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	} `json:"link"`
	Entry []struct {
		Resource struct {
			Meta struct {
				LastUpdated time.Time `json:"lastUpdated"`
			} `json:"meta"`
		} `json:"resource"`
	} `json:"entry"`
}

func readPage(text []byte) (p page, err error) {
	if err := json.Unmarshal(text, &p); err != nil {
		return p, fmt.Errorf("cannot be read: %w", err)
	}
	if p.ResourceType != "Bundle" {
		return p, fmt.Errorf("is a %q and no Bundle", p.ResourceType)
	}
	return p, nil
}

// next is the address of the next page, nil after the last. A page of another server is
// refused: it would be told who we are.
func (p page) next(from, base *url.URL) (*url.URL, error) {
	for _, l := range p.Link {
		if l.Relation != "next" || l.URL == "" {
			continue
		}
		to, err := from.Parse(l.URL)
		if err != nil {
			return nil, fmt.Errorf("the next page has no readable address: %w", err)
		}
		if to.Scheme != base.Scheme || to.Host != base.Host {
			return nil, fmt.Errorf("the next page lies at %s, not at %s: it is not followed", to.Host, base.Host)
		}
		return to, nil
	}
	return nil, nil
}

// newest is the latest lastUpdated of a search.
type newest struct {
	start, at time.Time
	unsorted  bool // the server does not keep to _sort
}

func (n *newest) see(p page) {
	previous := time.Time{}
	for _, e := range p.Entry {
		t := e.Resource.Meta.LastUpdated
		n.unsorted = n.unsorted || t.Before(previous)
		previous = t
		if t.After(n.at) {
			n.at = t
		}
	}
}

// since is up to when all has been read: of a search without order only once it is at its end.
func (n *newest) since(ended bool) time.Time {
	if n.unsorted && !ended {
		return n.start
	}
	return n.at
}
