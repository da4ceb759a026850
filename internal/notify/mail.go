package notify

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"strconv"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"plumbline/internal/alerts"
	"plumbline/internal/text"
)

// MailSettings are the settings of the e-mail channel.
type MailSettings struct {
	Address  string // host:port; port 465 speaks TLS from the start, any other STARTTLS
	User     string // "" signs in nowhere
	Password string
	From, To string // To: one or more, with commas between
	Now      bool   // notices of the tier now at once, besides the briefing
}

// Mail sends messages by SMTP, as plain text in UTF-8. Beyond this machine it
// sends by TLS alone.
type Mail struct {
	settings MailSettings
	host     string
	port     int
	from     *netmail.Address
	to       []*netmail.Address
	implicit bool   // TLS from the start
	site     string // tells this site's message ids from another's of the same sender
	tls      *tls.Config
}

const (
	mailTimeout   = 30 * time.Second
	implicitTLS   = 465 // RFC 8314
	maxRecipients = 50
)

// NewMail checks the settings. Errors hold no password.
func NewMail(s MailSettings, publicURL string) (*Mail, error) {
	host, port, err := net.SplitHostPort(s.Address)
	number, bad := strconv.Atoi(port)
	if err != nil || bad != nil || host == "" || number < 1 || number > 65535 {
		return nil, errors.New("smtp-address is no host and port; write it as mail.example:587")
	}
	m := &Mail{settings: s, host: host, port: number, implicit: number == implicitTLS}
	if m.from, err = netmail.ParseAddress(s.From); err != nil || unsafe(s.From) {
		return nil, errors.New("smtp-from is no e-mail address; write it as falls@hospital.example")
	}
	if m.to, err = netmail.ParseAddressList(s.To); err != nil || unsafe(s.To) || len(m.to) > maxRecipients {
		return nil, fmt.Errorf("smtp-to is no list of 1 to %d e-mail addresses; "+
			"write it as one@hospital.example, two@hospital.example", maxRecipients)
	}
	if (s.User == "") != (s.Password == "") {
		return nil, errors.New("smtp-user and smtp-password belong together; set both, or neither")
	}
	sum := sha256.Sum256([]byte(publicURL + "\x00" + s.To))
	m.site = hex.EncodeToString(sum[:6])
	m.tls = &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	return m, nil
}

// unsafe: an address of the settings never holds what ends a header's line.
func unsafe(s string) bool { return clean(s) != strings.Join(strings.Fields(s), " ") }

// Name is the channel's name.
func (*Mail) Name() string { return "e-mail" }

// TellsAtOnce: notices of the tier now where that is set; the briefing has the rest.
func (m *Mail) TellsAtOnce(tier string) bool { return m.settings.Now && tier == alerts.Now }

// MessageID is the Message-ID of a message, the same however often it is sent.
func (m *Mail) MessageID(id string) string {
	_, domain, _ := strings.Cut(m.from.Address, "@")
	return id + "." + m.site + "@" + domain
}

// Send sends a message once, to all recipients. at is the moment of the attempt.
func (m *Mail) Send(ctx context.Context, msg Message, at time.Time) *Failure {
	letter, err := m.letter(msg, at)
	if err != nil {
		return &Failure{Why: "the e-mail cannot be made: " + clean(err.Error()), Final: true}
	}
	var line net.Conn // the library leaves it open where a greeting or a farewell fails
	options := m.options()
	if !m.implicit {
		options = append(options, mail.WithDialContextFunc(func(ctx context.Context, network, address string) (c net.Conn, err error) {
			line, err = new(net.Dialer).DialContext(ctx, network, address)
			return line, err
		}))
	}
	client, err := mail.NewClient(m.host, options...)
	if err != nil {
		return &Failure{Why: "the e-mail cannot be sent: " + clean(err.Error()), Final: true}
	}
	ctx, cancel := context.WithTimeout(ctx, mailTimeout)
	defer cancel()
	talk, err := client.DialToSMTPClientWithContext(ctx)
	if err == nil {
		err = client.SendWithSMTPClient(talk, letter)
		_ = talk.Quit()
		_ = talk.Close()
	}
	if line != nil {
		_ = line.Close()
	}
	if err == nil || letter.IsDelivered() { // what fails after it was taken undoes nothing
		return nil
	}
	return mailFailure(err)
}

func (m *Mail) options() []mail.Option {
	options := []mail.Option{mail.WithPort(m.port), mail.WithTimeout(mailTimeout), mail.WithTLSConfig(m.tls)}
	switch {
	case m.implicit:
		options = append(options, mail.WithSSL())
	case loopback(m.host):
		options = append(options, mail.WithTLSPolicy(mail.TLSOpportunistic))
	default:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if m.settings.User != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover),
			mail.WithUsername(m.settings.User), mail.WithPassword(m.settings.Password))
	}
	return options
}

func (m *Mail) letter(msg Message, at time.Time) (*mail.Msg, error) {
	letter := mail.NewMsg(mail.WithCharset(mail.CharsetUTF8), mail.WithEncoding(mail.EncodingQP), mail.WithNoDefaultUserAgent())
	letter.FromMailAddress(m.from)
	letter.ToMailAddress(m.to...)
	letter.Subject(oneLine(msg.Subject, text.Isolates))
	letter.SetMessageIDWithValue(m.MessageID(msg.ID))
	letter.SetDateWithValue(at)
	letter.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: nobody's holiday answers it
	letter.SetBodyString(mail.TypeTextPlain, msg.Text)
	if len(letter.GetFrom()) != 1 || len(letter.GetTo()) != len(m.to) {
		return nil, errors.New("an address is missing; check smtp-from and smtp-to")
	}
	return letter, nil
}

// mailFailure is an error without addresses and without what a server added.
func mailFailure(err error) *Failure {
	var s *mail.SendError
	if !errors.As(err, &s) {
		return &Failure{Why: "the mail server was not reached, or did not let us in: " + clip(clean(err.Error()))}
	}
	if code := s.ErrorCode(); code > 0 {
		return &Failure{Why: fmt.Sprintf("the mail server answered %d: %s", code, s.Reason), Final: code >= 500 && !s.IsTemp()}
	}
	return &Failure{Why: "the e-mail was not taken: " + s.Reason.String()}
}

func clip(s string) string {
	const most = 200
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "..."
	}
	return s
}
