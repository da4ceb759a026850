package records

import (
	"time"

	"plumbline/internal/clinical"
)

// Notice is an event of an episode that people are to be told of.
type Notice struct {
	ID      string // the same however often it is told
	Event   EpisodeEvent
	Rule    string // with Figures the sentence; those of the event, or of its episode
	Figures clinical.Figures
	Owed    bool // its episode is not done
}

// DeliveryState is what has become of telling one notice by one channel.
type DeliveryState string

// The states. The first two are to be told still.
const (
	DeliveryWaiting DeliveryState = "waiting"
	DeliveryHeld    DeliveryState = "held"    // waits for the end of quiet hours, and is told only if still owed
	DeliverySent    DeliveryState = "sent"    // the receiver has taken it
	DeliveryFailed  DeliveryState = "failed"  // the receiver will not have it; given up
	DeliveryDropped DeliveryState = "dropped" // nothing is owed any more, and it is late
	DeliverySkipped DeliveryState = "skipped" // not told at once by this channel; the digest has it
)

// NoticeDelivery is the telling of one notice or digest by one channel.
type NoticeDelivery struct {
	ID       string // of the notice or digest
	Channel  string
	State    DeliveryState
	Attempts int
	MadeAt   time.Time
	NextAt   time.Time // when it is to be tried, where it is to be told still
	Trouble  string    // of the last attempt; "" where that went well
	Body     []byte    // of a digest, which is fixed when it is made; empty of a notice
	Notice   *Notice   // nil of a digest
}

// ChannelHealth is how a channel of telling stands.
type ChannelHealth struct {
	Channel      string
	LastSent     time.Time // zero: nothing yet
	FailingSince time.Time // the first failure since something was last sent; zero: works
	Trouble      string    // of the last attempt that failed, while it is failing
	Waiting      int       // to be told still, quiet hours included
	Oldest       time.Time // when the oldest that waits, and not for quiet hours, was made; zero: none does
	Failed       int       // given up since the moment that was asked about
}
