package ingest

import (
	"bytes"
	"context"
	"fmt"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Receive takes in a message that is read by the reader of its feed: text as it was
// received, name what it came by. The message, its facts and what became of them are
// stored in one transaction. One that came before, with the same content, is answered as
// it was then; the error is clinical.Conflict where the content is another. Reason says why
// a message could not be read as a whole; nothing is stored then.
func (l *Loader) Receive(ctx context.Context, m records.Message, name string, text []byte) (taken records.Taken, reason string, err error) {
	return l.ReceiveRead(ctx, m, func(r feed.Reader, o feed.Options, sink feed.Sink) error {
		return r.Read(bytes.NewReader(text), name, o, sink)
	})
}

// ReceiveRead is Receive for a message that is parsed already: read hands on what it says.
func (l *Loader) ReceiveRead(
	ctx context.Context, m records.Message, read func(feed.Reader, feed.Options, feed.Sink) error,
) (taken records.Taken, reason string, err error) {
	r := l.readerNamed(m.Feed)
	if r == nil {
		return taken, "", clinical.Errorf(clinical.Internal, "there is no reader of the feed %s", m.Feed)
	}
	s := sink{loader: l, options: l.options(m.ReceivedAt)}
	var unread error
	taken, err = l.Store.Take(ctx, deliveryOf(m), func(b records.Batch) error {
		s.batch = b
		err := read(r, s.options, &s)
		if err != nil && s.failed == nil {
			unread = err
		}
		if err != nil {
			return err
		}
		return s.compose(r)
	})
	if unread != nil {
		return records.Taken{}, fmt.Sprintf("the message %v", unread), nil
	}
	return taken, "", err
}

// Record takes in a message whose facts its sender has made: a set from the bedside. What goes to the
// hospital's record of them is queued in the same transaction.
func (l *Loader) Record(ctx context.Context, m records.Message, facts []clinical.Version) (records.Taken, error) {
	d := deliveryOf(m)
	if l.Outward != nil && len(facts) > 0 {
		d.Facts = facts
		d.Queue = func(s records.Sending) []records.Outgoing { return l.Outward(m.Who, m.ReceivedAt, facts, s) }
	}
	return l.Store.Take(ctx, d, func(b records.Batch) error { return again{facts: facts}.into(b) })
}

// deliveryOf is a message with a load of its own.
func deliveryOf(m records.Message) records.Delivery {
	return records.Delivery{How: m.Feed, At: m.ReceivedAt, Message: &m}
}
