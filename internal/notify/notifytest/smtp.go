// Package notifytest holds a mail server for tests: it takes e-mails on loopback
// and keeps them.
package notifytest

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"fmt"
	"math/big"
	"net"
	"strings"
	"sync"
	"testing"
	"time"
)

// Letter is an e-mail as it came over the wire.
type Letter struct {
	From string
	To   []string
	Data string // headers and body, lines ending in CRLF
	TLS  bool
	User string // who signed in, "" nobody
}

// SMTP is a mail server.
type SMTP struct {
	Address string
	Roots   *x509.CertPool // trusts its certificate

	// STARTTLS offers it; Implicit speaks TLS from the start; Auth asks for the
	// user and password, which go together as user:password.
	starttls, implicit bool
	auth               string
	config             *tls.Config

	mu      sync.Mutex
	letters []Letter
	answers map[string]string // by command: answer instead of taking it
	cut     bool
}

// Options of a mail server.
type Options struct {
	STARTTLS, Implicit bool
	Auth               string // user:password; "" asks nobody
}

// Serve starts a mail server for a test.
func Serve(tb testing.TB, o Options) *SMTP {
	tb.Helper()
	certificate, roots := certify(tb)
	s := &SMTP{
		starttls: o.STARTTLS, implicit: o.Implicit, auth: o.Auth, Roots: roots, answers: map[string]string{},
		config: &tls.Config{Certificates: []tls.Certificate{certificate}, MinVersion: tls.VersionTLS12},
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	s.Address = listener.Addr().String()
	var all sync.WaitGroup
	all.Go(func() {
		for {
			connection, err := listener.Accept()
			if err != nil {
				return
			}
			all.Go(func() { s.talk(connection) })
		}
	})
	tb.Cleanup(func() {
		_ = listener.Close()
		all.Wait()
	})
	return s
}

// Answer gives an answer such as "550 no" to every further command of a name
// (MAIL, RCPT, DATA, or "." for the end of a letter); "" takes it as usual.
func (s *SMTP) Answer(command, answer string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.answers[command] = answer
}

// Cut hangs up after the next letters are taken, before it says so.
func (s *SMTP) Cut(on bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cut = on
}

// Letters are the e-mails that were taken.
func (s *SMTP) Letters() []Letter {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Letter(nil), s.letters...)
}

func (s *SMTP) answer(command string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.answers[command]
}

// keep takes a letter, and says whether to hang up.
func (s *SMTP) keep(l Letter) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.letters = append(s.letters, l)
	return s.cut
}

func (s *SMTP) talk(c net.Conn) {
	defer func() { _ = c.Close() }()
	_ = c.SetDeadline(deadline())
	l := Letter{}
	if s.implicit {
		c, l.TLS = tls.Server(c, s.config), true
	}
	in := bufio.NewReader(c)
	say := func(format string, args ...any) { _, _ = fmt.Fprintf(c, format+"\r\n", args...) }
	say("220 test")
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		command, rest, _ := strings.Cut(line, " ")
		command = strings.ToUpper(command)
		if a := s.answer(command); a != "" {
			say("%s", a)
			continue
		}
		switch command {
		case "EHLO":
			say("250-test")
			if s.starttls && !l.TLS {
				say("250-STARTTLS")
			}
			if s.auth != "" {
				say("250-AUTH PLAIN")
			}
			say("250 8BITMIME")
		case "STARTTLS":
			say("220 go on")
			upgraded := tls.Server(c, s.config)
			if upgraded.Handshake() != nil {
				return
			}
			c, in, l.TLS = upgraded, bufio.NewReader(upgraded), true
		case "AUTH":
			plain, _ := base64.StdEncoding.DecodeString(strings.TrimPrefix(rest, "PLAIN "))
			who := strings.Replace(strings.TrimPrefix(string(plain), "\x00"), "\x00", ":", 1)
			if who != s.auth {
				say("535 no")
				continue
			}
			l.User, _, _ = strings.Cut(who, ":")
			say("235 come in")
		case "MAIL":
			l.From, l.To = rest, nil
			say("250 ok")
		case "RCPT":
			l.To = append(l.To, rest)
			say("250 ok")
		case "DATA":
			say("354 go on")
			if l.Data, err = readData(in); err != nil {
				return
			}
			if a := s.answer("."); a != "" {
				say("%s", a)
				continue
			}
			if s.keep(l) {
				return
			}
			say("250 taken")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}

func readData(in *bufio.Reader) (string, error) {
	var b strings.Builder
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return "", err
		}
		if line == ".\r\n" {
			return b.String(), nil
		}
		b.WriteString(strings.TrimPrefix(line, "."))
	}
}

// deadline ends a test that hangs; certificates outlive it.
func deadline() time.Time { return time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC) }

func certify(tb testing.TB) (tls.Certificate, *x509.CertPool) {
	tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, DNSNames: []string{"localhost"},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv4zero}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), NotAfter: deadline(),
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, &key.PublicKey, key)
	if err != nil {
		tb.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		tb.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(parsed)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, roots
}
