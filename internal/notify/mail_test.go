package notify

import (
	"io"
	"mime"
	"mime/quotedprintable"
	netmail "net/mail"
	"strings"
	"testing"

	"plumbline/internal/alerts"
	"plumbline/internal/notify/notifytest"
)

func mailTo(t *testing.T, server *notifytest.SMTP, change func(*MailSettings)) *Mail {
	t.Helper()
	s := MailSettings{Address: server.Address, From: "Falls <falls@hospital.example>", To: "one@hospital.example, Two <two@hospital.example>"}
	if change != nil {
		change(&s)
	}
	m, err := NewMail(s, "https://falls.example")
	if err != nil {
		t.Fatal(err)
	}
	m.tls.RootCAs = server.Roots
	return m
}

var letter = Message{ID: "ab12-1", Subject: "now: unit 4W, bed Ä1\r\nBcc: all@example.org", Text: "Naïve: 3 h.\n.\nend\n"}

func read(t *testing.T, l notifytest.Letter) (netmail.Header, string) {
	t.Helper()
	m, err := netmail.ReadMessage(strings.NewReader(l.Data))
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	if err != nil {
		t.Fatal(err)
	}
	return m.Header, strings.ReplaceAll(string(body), "\r\n", "\n")
}

func TestAnEMailIsPlainTextWithAStableID(t *testing.T) {
	at := moment(t, "2026-11-25T12:00:00Z")
	server := notifytest.Serve(t, notifytest.Options{})
	m := mailTo(t, server, nil)
	for range 2 {
		if f := m.Send(t.Context(), letter, at); f != nil {
			t.Fatal(f)
		}
	}
	letters := server.Letters()
	if len(letters) != 2 {
		t.Fatalf("%d letters came, want 2", len(letters))
	}
	h, body := read(t, letters[0])
	again, _ := read(t, letters[1])
	subject, err := new(mime.WordDecoder).DecodeHeader(h.Get("Subject"))
	if err != nil || subject != "now: unit 4W, bed Ä1 Bcc: all@example.org" || h.Get("Bcc") != "" {
		t.Errorf("subject %q, headers %v %v", subject, h, err)
	}
	if strings.TrimSpace(body) != "Naïve: 3 h.\n.\nend" {
		t.Errorf("body %q", body)
	}
	for name, want := range map[string]string{
		"Message-Id": "<" + m.MessageID("ab12-1") + ">", "Content-Type": "text/plain; charset=UTF-8",
		"Auto-Submitted": "auto-generated", "Date": "Wed, 25 Nov 2026 12:00:00 +0000",
	} {
		if h.Get(name) != want || again.Get(name) != want {
			t.Errorf("%s: %q, then %q, want %q", name, h.Get(name), again.Get(name), want)
		}
	}
	if !strings.HasPrefix(m.MessageID("ab12-1"), "ab12-1.") || !strings.HasSuffix(m.MessageID("ab12-1"), "@hospital.example") {
		t.Errorf("message id %s", m.MessageID("ab12-1"))
	}
	to := strings.Join(letters[0].To, " ")
	if len(letters[0].To) != 2 || !strings.Contains(to, "<one@hospital.example>") || !strings.Contains(to, "<two@hospital.example>") {
		t.Errorf("sent to %q", to)
	}
}

func TestMailTravelsByTLS(t *testing.T) {
	at := moment(t, "2026-11-25T12:00:00Z")
	beyond := func(m *Mail) { m.host, m.tls.ServerName = "0.0.0.0", "localhost" } // this machine, by a name that is not loopback
	for name, c := range map[string]struct {
		options notifytest.Options
		change  func(*Mail)
		sent    bool
	}{
		"STARTTLS, beyond this machine":            {notifytest.Options{STARTTLS: true}, beyond, true},
		"STARTTLS, on this machine":                {notifytest.Options{STARTTLS: true}, func(*Mail) {}, true},
		"TLS from the start":                       {notifytest.Options{Implicit: true}, func(m *Mail) { beyond(m); m.implicit = true }, true},
		"none, beyond this machine":                {notifytest.Options{}, beyond, false},
		"a certificate that nobody vouches for":    {notifytest.Options{STARTTLS: true}, func(m *Mail) { beyond(m); m.tls.RootCAs = nil }, false},
		"a certificate of another name":            {notifytest.Options{STARTTLS: true}, func(m *Mail) { beyond(m); m.tls.ServerName = "other.example" }, false},
		"a server that speaks no TLS at that port": {notifytest.Options{STARTTLS: true}, func(m *Mail) { beyond(m); m.implicit = true; m.port = 1 }, false},
	} {
		server := notifytest.Serve(t, c.options)
		m := mailTo(t, server, nil)
		c.change(m)
		f := m.Send(t.Context(), letter, at)
		letters := server.Letters()
		if c.sent != (f == nil) || c.sent != (len(letters) == 1) {
			t.Errorf("%s: %v, %d letters; want sent %v", name, f, len(letters), c.sent)
		}
		for _, l := range letters {
			if !l.TLS {
				t.Errorf("%s: it travelled in the clear", name)
			}
		}
		if f != nil && f.Final {
			t.Errorf("%s: given up: %v", name, f)
		}
	}
	if m := mailTo(t, notifytest.Serve(t, notifytest.Options{}), func(s *MailSettings) { s.Address = "mail.example:465" }); !m.implicit {
		t.Error("port 465 does not speak TLS from the start")
	}
}

func TestSigningInToTheMailServer(t *testing.T) {
	at := moment(t, "2026-11-25T12:00:00Z")
	for password, want := range map[string]bool{"right-one": true, "wrong-one": false} {
		server := notifytest.Serve(t, notifytest.Options{STARTTLS: true, Auth: "falls:right-one"})
		m := mailTo(t, server, func(s *MailSettings) { s.User, s.Password = "falls", password })
		f := m.Send(t.Context(), letter, at)
		if letters := server.Letters(); want != (f == nil) || want != (len(letters) == 1 && letters[0].User == "falls") {
			t.Errorf("%s: %v, %v", password, f, letters)
		}
		if f != nil && (strings.Contains(f.Why, password) || f.Final) {
			t.Errorf("the failure is %+v", f)
		}
	}
}

func TestWhatAMailServersAnswerMeans(t *testing.T) {
	at := moment(t, "2026-11-25T12:00:00Z")
	for _, c := range []struct {
		command, answer string
		final           bool
		code            string
	}{
		{"MAIL", "451 try again, " + patient, false, "451"}, {"RCPT", "550 no such " + patient, true, "550"},
		{"RCPT", "450 greylisted", false, "450"}, {"DATA", "554 no", true, "554"}, {".", "552 too much", true, "552"}, {".", "421 busy", false, "421"},
	} {
		server := notifytest.Serve(t, notifytest.Options{})
		server.Answer(c.command, c.answer)
		f := mailTo(t, server, nil).Send(t.Context(), letter, at)
		if f == nil || f.Final != c.final || strings.Contains(f.Why, patient) || strings.Contains(f.Why, "one@") || !strings.Contains(f.Why, c.code) {
			t.Errorf("%s answered %q: %+v, want final %v", c.command, c.answer, f, c.final)
		}
	}
	server := notifytest.Serve(t, notifytest.Options{})
	server.Cut(true) // taken, and the answer is lost: it must be sent again
	if f := mailTo(t, server, nil).Send(t.Context(), letter, at); f == nil || f.Final || len(server.Letters()) != 1 {
		t.Errorf("an answer that is lost: %+v", f)
	}
	for _, command := range []string{"RSET", "QUIT"} { // taken, and what follows fails: it must not be sent again
		server = notifytest.Serve(t, notifytest.Options{})
		server.Answer(command, "500 what")
		if f := mailTo(t, server, nil).Send(t.Context(), letter, at); f != nil || len(server.Letters()) != 1 {
			t.Errorf("%s fails: %+v", command, f)
		}
	}
}

func TestMailSettingsThatAreRefused(t *testing.T) {
	good := MailSettings{Address: "mail.example:587", From: "falls@hospital.example", To: "one@hospital.example"}
	for name, change := range map[string]func(*MailSettings){
		"no port":            func(s *MailSettings) { s.Address = "mail.example" },
		"a port in words":    func(s *MailSettings) { s.Address = "mail.example:smtp" },
		"no host":            func(s *MailSettings) { s.Address = ":25" },
		"no sender":          func(s *MailSettings) { s.From = "" },
		"two senders":        func(s *MailSettings) { s.From = "a@b.example, c@d.example" },
		"no receiver":        func(s *MailSettings) { s.To = "" },
		"a line in a sender": func(s *MailSettings) { s.From = "Falls\r\nBcc: x@y.example <falls@hospital.example>" },
		"a line in receivers": func(s *MailSettings) {
			s.To = "one@hospital.example,\r\n \u2028two@hospital.example"
		},
		"too many receivers": func(s *MailSettings) { s.To = strings.Repeat("a@b.example,", 50) + "a@b.example" },
		"a user alone":       func(s *MailSettings) { s.User = "falls" },
		"a password alone":   func(s *MailSettings) { s.Password = "secret-one" },
	} {
		s := good
		change(&s)
		if _, err := NewMail(s, ""); err == nil || strings.Contains(err.Error(), "secret-one") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := NewMail(good, ""); err != nil {
		t.Error(err)
	}
}

func TestMailTellsAtOnceOnlyTheTierNowAndWhereSet(t *testing.T) {
	for _, on := range []bool{false, true} {
		m := &Mail{settings: MailSettings{Now: on}}
		for _, tier := range alerts.Tiers {
			if got, want := m.TellsAtOnce(tier), on && tier == alerts.Now; got != want {
				t.Errorf("smtp-now %v: tells %s at once: %v", on, tier, got)
			}
		}
	}
}
