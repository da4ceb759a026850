package app

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"flag"
	"fmt"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/outbox"
	"plumbline/internal/records"
	"plumbline/internal/smart"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/parts"
)

// sendSettings say where what is taken here goes, and how.
type sendSettings struct {
	mllp        string // host:port; empty: nowhere
	tls         *tls.Config
	application string
	facility    string
	units       []string // empty: all
	fhir        string   // base address; empty: nowhere
	signIn      smart.Settings
}

// channels are the ways that are set up.
func (s sendSettings) channels() (out []string) {
	if s.mllp != "" {
		out = append(out, outbox.MLLP)
	}
	if s.fhir != "" {
		out = append(out, outbox.FHIR)
	}
	return out
}

func readSendSettings(v map[string]string) (s sendSettings, err error) {
	s = sendSettings{
		mllp: v["mllp-send"], application: v["send-application"], facility: v["send-facility"], fhir: v["fhir-send-url"],
		signIn: smart.Settings{
			ClientID: v["fhir-send-client-id"], Key: []byte(v["fhir-send-key"]), KeyID: v["fhir-send-key-id"],
			TokenURL: v["fhir-send-token-url"], Scope: v["fhir-send-scope"],
		},
	}
	for unit := range strings.SplitSeq(v["send-units"], ",") {
		if unit = strings.TrimSpace(unit); unit != "" {
			s.units = append(s.units, unit)
		}
	}
	if err := checkServer(v, "fhir-send-url", "fhir-send-"); err != nil {
		return s, err
	}
	if s.mllp != "" {
		if _, _, err := net.SplitHostPort(s.mllp); err != nil {
			return s, fmt.Errorf("mllp-send %q is not an address and port such as 10.1.2.3:2575", s.mllp)
		}
	}
	switch v["mllp-send-tls"] {
	case "yes":
		s.tls, err = believing(v["mllp-send-ca"])
	case "no":
	default:
		err = fmt.Errorf("mllp-send-tls %q is neither yes nor no", v["mllp-send-tls"])
	}
	return s, err
}

// believing is TLS that believes the certificates of a file, those of the machine where it is empty.
func believing(file string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if file == "" {
		return c, nil
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("mllp-send-ca: %w", err)
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM(data) {
		return nil, fmt.Errorf("mllp-send-ca %s holds no certificate in PEM", file)
	}
	return c, nil
}

// outward makes the messages of what is taken here; nil where nothing goes to the record.
func (s *site) outward() func(string, time.Time, []clinical.Version, records.Sending) []records.Outgoing {
	channels := s.settings.send.channels()
	if len(channels) == 0 {
		return nil
	}
	return outbox.Maker{
		Channels: channels, Units: s.settings.send.units, Codes: s.settings.fhir.Codes, Finding: s.findingAlone,
	}.Queue
}

// findingAlone says what the readings of a set, taken alone, found: what the record is told does not
// hang on what else is known here.
func (s *site) findingAlone(stayID string, stay clinical.Stay, readings []clinical.Version) string {
	var at time.Time
	for _, v := range readings {
		at = latest(at, latest(v.RecordedAt, ownTime(v)))
	}
	known := clinical.Version{
		Kind: clinical.KindStay, SourceID: stayID, StayID: stayID, RecordedAt: stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: stay,
	}
	chart := clinical.ChartAt(stayID, append([]clinical.Version{known}, readings...), at)
	if chart.Stay == nil {
		return ""
	}
	d := trends.DigestOf(chart, s.service.Policy.Current().Policy, s.settings.zone)
	if len(d.Sets) == 0 {
		return ""
	}
	return text.SetLine(d, d.Sets[0])
}

func ownTime(v clinical.Version) time.Time {
	if v.Body == nil {
		return time.Time{}
	}
	return v.Body.OwnTime()
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// How long the record may take to answer, and how often what waits is looked for.
const (
	recordPatience = 30 * time.Second
	sendEvery      = "@every 2s"
)

// startSending sends what waits for the record; nil where nothing goes there.
func startSending(ctx context.Context, s *site, clock clinical.Clock) (*schedule, error) {
	sender := s.newSender(clock)
	if sender == nil {
		return nil, nil
	}
	set := s.settings.send
	if set.mllp != "" && set.tls == nil && !onLoopback(set.mllp) {
		s.log.Warn("HL7 messages to the record travel in the clear; set mllp-send-tls, or keep them in a network of their own",
			"to", set.mllp)
	}
	return s.startLeased(ctx, sendEvery, false, func(ctx context.Context) {
		if err := sender.Run(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("what waits for the record was not sent to its end; it is tried again", "error", err)
		}
	})
}

func (s *site) newSender(clock clinical.Clock) *outbox.Sender {
	set := s.settings.send
	ways := map[string]outbox.Transport{}
	if set.mllp != "" {
		ways[outbox.MLLP] = &outbox.OverMLLP{
			Address: set.mllp, TLS: set.tls, Clock: time.Now, Patience: recordPatience, // the network's deadlines
			HL7: outbox.HL7{Application: set.application, Facility: set.facility, Zone: s.settings.zone},
		}
	}
	if set.fhir != "" {
		client := &http.Client{Timeout: recordPatience}
		ways[outbox.FHIR] = &outbox.OverFHIR{
			URL: set.fhir, Maker: outbox.FHIRMaker{Zone: s.settings.zone}, Client: client,
			SignIn: &smart.SignIn{Settings: set.signIn, URL: set.fhir, Client: client, Clock: clock},
		}
	}
	if len(ways) == 0 {
		return nil
	}
	return &outbox.Sender{Store: s.store, Ways: ways, Clock: clock, Log: s.log}
}

// outboxStates tells how the ways that are set up stand.
func (s *site) outboxStates(ctx context.Context) (out []records.OutboxState, err error) {
	channels := s.settings.send.channels()
	if len(channels) == 0 {
		return nil, nil
	}
	known, err := s.store.OutboxStates(ctx)
	for _, channel := range channels {
		state := records.OutboxState{Channel: channel}
		for _, k := range known {
			if k.Channel == channel {
				state = k
			}
		}
		out = append(out, state)
	}
	return out, err
}

// toRecord tells the pages what goes to the record; nil where nothing does.
func (s *site) toRecord() parts.Outbox {
	if len(s.settings.send.channels()) == 0 {
		return nil
	}
	return s.store
}

// mostUnsent is how many messages `outbox list` names.
const mostUnsent = 10000

// outboxRow is a message that the record has not taken, as `outbox list` shows it.
type outboxRow struct {
	Number    int64             `json:"number"`
	Channel   string            `json:"channel"`
	What      string            `json:"what"`
	Version   int               `json:"version"`
	Unit      string            `json:"unit"`
	StayID    string            `json:"stay_id"`
	State     records.SendState `json:"state"`
	QueuedAt  time.Time         `json:"queued_at"`
	Attempts  int               `json:"attempts"`
	NextAt    *time.Time        `json:"next_at"`
	LastTried *time.Time        `json:"last_tried"`
	Reason    string            `json:"reason"`
}

func outboxCommand(ctx context.Context, p process, args []string) error {
	var format string
	s, rest, err := p.parse("outbox", args, func(fs *flag.FlagSet) { fs.StringVar(&format, "format", "table", "") })
	if err == nil {
		err = checkFormat(format)
	}
	number := int64(0)
	if err == nil && len(rest) == 2 && rest[0] == "retry" {
		number, err = strconv.ParseInt(rest[1], 10, 64)
	}
	if err == nil && (len(rest) == 0 || len(rest) > 2 || rest[0] != "list" && rest[0] != "retry" || rest[0] == "list" && len(rest) > 1) {
		err = errors.New("no verb")
	}
	var usage *usageError
	switch {
	case errors.As(err, &usage):
		return err
	case err != nil:
		return usagef("outbox takes list or retry; `dashboard outbox retry 17` sends one message again")
	}
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	if rest[0] == "list" {
		return site.listOutbox(ctx, p, format)
	}
	n, err := site.store.RetryOutgoing(ctx, number, p.clock())
	switch {
	case err != nil:
		return err
	case n == 0 && number != 0:
		return clinical.Errorf(clinical.NotFound, "no message %d waits or was refused; `dashboard outbox list` names them", number)
	}
	return p.say("commands.outbox-retried", n)
}

func (s *site) listOutbox(ctx context.Context, p process, format string) error {
	all, err := s.store.Unsent(ctx, mostUnsent)
	if err != nil {
		return err
	}
	rows := make([]outboxRow, len(all))
	for n, o := range all {
		rows[n] = outboxRow{
			Number: o.Number, Channel: o.Channel, What: o.Thing, Version: o.Version, Unit: o.Unit, StayID: o.StayID,
			State: o.State, QueuedAt: o.QueuedAt, Attempts: o.Attempts, LastTried: present(o.TriedAt), Reason: o.Answer,
		}
		if o.State == records.SendWaits {
			rows[n].NextAt = present(o.NextAt)
		}
	}
	if format == "json" {
		return writeJSON(p.stdout, map[string]any{"outbox": rows})
	}
	if len(rows) == 0 {
		return p.say("commands.outbox-none")
	}
	lines := make([]string, len(rows))
	for n, r := range rows {
		lines[n] = row(strconv.FormatInt(r.Number, 10), r.Channel, r.What, strconv.Itoa(r.Version), r.Unit, r.StayID, string(r.State),
			r.QueuedAt.Format(time.RFC3339), strconv.Itoa(r.Attempts), r.Reason)
	}
	return table(p.stdout, text.Say("commands.outbox-head"), lines)
}
