package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strconv"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/ingest/mllp"
	"plumbline/internal/records"
)

// mllpSettings say where HL7 v2 messages are taken, and how.
type mllpSettings struct {
	listen     string // empty: nowhere
	tls        bool
	maxMessage int
}

func (s settings) readMLLPSettings(v map[string]string) (m mllpSettings, err error) {
	m.listen = v["mllp-listen"]
	if m.listen != "" {
		if _, _, err := net.SplitHostPort(m.listen); err != nil {
			return m, fmt.Errorf("mllp-listen %q is not an address and port such as 10.1.2.3:2575", m.listen)
		}
	}
	switch v["mllp-tls"] {
	case "yes":
		m.tls = true
	case "no":
	default:
		return m, fmt.Errorf("mllp-tls %q is neither yes nor no", v["mllp-tls"])
	}
	if m.tls && s.tlsCert == "" {
		return m, errors.New("mllp-tls needs a certificate; set tls-cert and tls-key")
	}
	m.maxMessage, err = strconv.Atoi(v["hl7-max-message"])
	if err != nil || m.maxMessage < 1024 || m.maxMessage > hl7feed.MaxMessage {
		return m, fmt.Errorf("hl7-max-message %q is not a number of bytes from 1024 to %d", v["hl7-max-message"], hl7feed.MaxMessage)
	}
	return m, nil
}

// How long a message may take to come, and an answer to be read; and how many senders are
// served at once.
const (
	messageTime = time.Minute
	answerTime  = 10 * time.Second
	mostSenders = 200
)

// hl7Listener takes HL7 v2 messages.
type hl7Listener struct {
	cancel  context.CancelFunc
	done    chan struct{}
	address net.Addr
}

// stop ends the listener: what is being stored is stored and answered.
func (h *hl7Listener) stop() {
	if h == nil {
		return
	}
	h.cancel()
	<-h.done
}

// startHL7 begins to take messages, where the settings say where.
func startHL7(ctx context.Context, s *site, clock clinical.Clock) (*hl7Listener, error) {
	set := s.settings.mllp
	if set.listen == "" {
		return nil, nil
	}
	l, err := net.Listen("tcp", set.listen)
	if err != nil {
		return nil, fmt.Errorf("HL7 messages cannot be taken on %s: %w; choose another with --mllp-listen", set.listen, err)
	}
	if set.tls {
		c := &certificate{cert: s.settings.tlsCert, key: s.settings.tlsKey, clock: clock, log: s.log}
		l = tls.NewListener(l, c.config())
	} else if !onLoopback(set.listen) {
		s.log.Warn("HL7 messages travel in the clear; set mllp-tls, or keep them in a network of their own", "listen", set.listen)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx)) // it stops after the pages
	out := &hl7Listener{cancel: cancel, done: make(chan struct{}), address: l.Addr()}
	server := &mllp.Server{
		Receive: func(ctx context.Context, text []byte) ([]byte, error) { return s.receiveHL7(ctx, text, clock()) },
		Log:     s.log, MaxMessage: set.maxMessage,
		Clock:       time.Now, // the deadlines are the network's, whatever the hour is taken to be
		MessageTime: messageTime, AnswerTime: answerTime, Connections: mostSenders,
	}
	go func() {
		defer close(out.done)
		if err := server.Serve(ctx, l); err != nil {
			s.log.Error("HL7 messages are not taken any more", "why", err)
		}
	}()
	s.log.Info("taking HL7 messages", "listen", l.Addr().String(), "tls", set.tls)
	return out, nil
}

// receiveHL7 stores a message, and answers it once it is stored.
func (s *site) receiveHL7(ctx context.Context, text []byte, now time.Time) ([]byte, error) {
	received := hl7Reader(s.settings).Receive(text, feed.Options{Zone: s.settings.zone, Now: now})
	id, sum := received.ID()
	m := records.Message{Feed: hl7feed.Feed, ID: id, Sum: sum, Who: "mllp", ReceivedAt: now}
	// Being stopped does not break off what has begun: the sender would not know of it.
	_, _, err := s.loader.ReceiveRead(context.WithoutCancel(ctx), m, func(_ feed.Reader, _ feed.Options, sink feed.Sink) error {
		return received.Read("mllp", sink)
	})
	if err != nil {
		s.log.Error("an HL7 message could not be stored, and is not answered", "why", err)
		return nil, err
	}
	return received.Answer(now), nil
}

// hl7Reader is the reader of HL7 v2 by the settings of the site.
func hl7Reader(s settings) hl7feed.Reader {
	return hl7feed.Reader{Settings: hl7feed.Settings{
		StayClasses: s.fhir.StayClasses, Codes: s.fhir.Codes, MaxMessage: s.mllp.maxMessage,
	}}
}
