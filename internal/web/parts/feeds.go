package parts

import (
	"context"
	"log/slog"
	"time"

	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// FeedLine is how the feeds stand, in a line on the list.
type FeedLine struct {
	State   string // one of the states below
	At      *frame.Moment
	Held    string // "3 rows held back"; "" for none
	Waiting string
	Linked  bool // the reader may see the page of the feeds
}

// The states of the feeds: no data, stale data and an error are not the same.
const (
	feedKnown   = "known"
	feedUnset   = "unset"
	feedNever   = "never"
	FeedUnknown = "unknown"
	feedFailing = "failing"
)

// Feeds tells how the feeds stand; nil where nobody can.
type Feeds func(context.Context) (FeedHealth, error)

// Health is how the feeds stand, with their state as a word.
func (f Feeds) Health(ctx context.Context, log *slog.Logger) (FeedHealth, string) {
	if f == nil {
		return FeedHealth{}, FeedUnknown
	}
	h, err := f(ctx)
	switch {
	case err != nil:
		log.Error("the feeds' health could not be told", "error", err)
		return h, FeedUnknown
	case h.Trouble != "":
		return h, feedFailing
	case !h.LastRead.IsZero():
		return h, feedKnown
	case h.Folder == "":
		return h, feedUnset
	}
	return h, feedNever
}

// Line is how the feeds stand in a line; t counts the time from now.
func (f Feeds) Line(ctx context.Context, log *slog.Logger, t frame.Times) FeedLine {
	h, state := f.Health(ctx, log)
	l := FeedLine{State: state}
	if h.Held > 0 {
		l.Held = text.Plural(h.Held, text.Say("counts.row-held"), text.Say("counts.rows-held"))
	}
	if h.Waiting > 0 {
		l.Waiting = text.Plural(h.Waiting, text.Say("counts.row-waits"), text.Say("counts.rows-wait"))
	}
	if !h.LastRead.IsZero() {
		l.At = t.MomentAgo(h.LastRead)
	}
	return l
}

// FeedHealth is how the feeds stand.
type FeedHealth struct {
	records.FeedState                       // as the database tells it
	Folder            string                // that is read by the schedule; "": none is set
	LastRead          time.Time             // when the folder was last read to its end; zero: never
	Lease             *records.Lease        // nil: there is one instance alone
	Growing           []records.GrowingFile // files of the folder that are still being written
	Trouble           string                // why the folder could not be read at the last look; "": it could
	// SilentSince is when the last load began, where the folder is not read as it
	// should be; zero: it is, or there was none.
	SilentSince time.Time
	Units       []feedcheck.UnitState   // every unit that the feeds have named
	Gaps        []feedcheck.Gap         // what feeds of units do not bring as they should
	Telling     []records.ChannelHealth // of the channels that are set up
	Outbox      []records.OutboxState   // how each way to the record that is set up stands
	Clock       *ClockTrouble           // nil: nothing was noticed within the last day
}

// ClockTrouble is that the machine's clock was set, or that another clock ran ahead of it.
type ClockTrouble struct {
	At    time.Time     // noticed
	By    time.Duration // the clock was set forward by so much; back where it is negative
	Waits bool          // nothing is opened or told until it is sure which clock is right
}
