package outbox

import (
	"context"
	"crypto/tls"
	"errors"
	"net"
	"os"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/mllp"
)

// OverMLLP sends HL7 v2 messages over one connection a run.
type OverMLLP struct {
	Address  string      // host:port
	TLS      *tls.Config // nil: in the clear
	HL7      HL7
	Clock    clinical.Clock // of the network's deadlines
	Patience time.Duration  // for one answer

	conn *mllp.Conn
}

// Send implements Transport. An answer to another message is passed over: one that was repeated.
func (o *OverMLLP) Send(ctx context.Context, i Item) Result {
	if err := o.dial(ctx); err != nil {
		return Result{Unreachable, "nobody answers at the address: " + plainError(err)}
	}
	conn := o.conn
	stop := context.AfterFunc(ctx, func() { _ = conn.Close() })
	defer stop()
	if err := o.conn.Write(o.HL7.Message(i), o.Clock().Add(o.Patience)); err != nil {
		o.Close()
		return Result{Again, "the message could not be sent: " + plainError(err)}
	}
	for {
		answer, err := o.conn.Answer()
		if err != nil {
			o.Close()
			return Result{Again, "no whole answer came: " + plainError(err)}
		}
		if r, other := acknowledged(answer, ControlID(i)); !other {
			return r
		}
	}
}

func (o *OverMLLP) dial(ctx context.Context) error {
	if o.conn != nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, o.Patience)
	defer cancel()
	var c net.Conn
	var err error
	if o.TLS != nil {
		c, err = (&tls.Dialer{Config: o.TLS}).DialContext(ctx, "tcp", o.Address)
	} else {
		c, err = (&net.Dialer{}).DialContext(ctx, "tcp", o.Address)
	}
	if err == nil {
		o.conn = mllp.NewConn(c)
	}
	return err
}

// Close implements Transport.
func (o *OverMLLP) Close() {
	if o.conn != nil {
		_ = o.conn.Close()
		o.conn = nil
	}
}

// plainError says what went wrong on the network, without the address.
func plainError(err error) string {
	var op *net.OpError
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, context.DeadlineExceeded):
		return "it took too long"
	case errors.As(err, &op):
		return op.Err.Error()
	}
	return short(err.Error())
}
