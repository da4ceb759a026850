package app

import (
	"bufio"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// A message is answered AA once it is stored, AE where something of it is held, AR where it
// cannot be read; sent again it is answered the same and changes nothing (HL7 v2, original
// acknowledgement mode; from memory).
func TestHL7MessagesAreAnsweredOnceTheyAreStored(t *testing.T) {
	s := bareSite(t, filepath.Join(t.TempDir(), "plumbline.db"), time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC))
	s.settings.mllp = mllpSettings{listen: "127.0.0.1:0", maxMessage: 1 << 20}
	at := s.loader.Clock().UTC()
	stamp := at.Format("20060102150405")
	msg := func(kind, control string, rest ...string) string {
		head := fmt.Sprintf(`MSH|^~\&|HIS|H|PLUMB|H|%s||%s|%s|P|2.5.1`, stamp, kind, control)
		return strings.Join(append([]string{head}, rest...), "\r")
	}
	admission := msg("ADT^A01", "1", "EVN|A01|"+stamp, "PID|1||77^^^H^MR||Doe^Jane", "PV1|1|I|4W^12"+strings.Repeat("|", 16)+"V1")
	for _, c := range []struct{ text, code, reason string }{
		{admission, "AA|1", ""},
		{admission, "AA|1", ""},
		{msg("ORU^R01", "2", "PID|1||77^^^H^MR", "PV1|1|I|"+strings.Repeat("|", 16)+"V1", "OBR|1||O|V|||"+stamp, "OBX|1|NM|8480-6^S^LN||142||||||F"),
			"AE|2", "no unit"},
		{msg("ORU^R01", "5\xe4x", "PID|1||\xfc^^^H^MR"), "AR|5x\r", "the message is not UTF-8, and MSH-18 does not name 8859/1"},
		{msg("ADT^A08", strings.Repeat("7", 3000)), "AE|777", "an identity is longer than 500 bytes (MSH-10)"},
		{"MSH^bad", "AR|", "the message does not begin with MSH and its separators"},
	} {
		answer, err := s.receiveHL7(t.Context(), []byte(c.text), at)
		if err != nil {
			t.Fatal(err)
		}
		if got := string(answer); !strings.Contains(got, "\rMSA|"+c.code) || !strings.Contains(got, c.reason) {
			t.Errorf("%.40q is answered %q, want %s %s", c.text, got, c.code, c.reason)
		}
	}
	all, err := s.store.Versions(t.Context(), []string{"V1"})
	if err != nil {
		t.Fatal(err)
	}
	if len(all["V1"]) != 1 || all["V1"][0].Kind != clinical.KindStay {
		t.Errorf("stored: %+v, want the admission once", all["V1"])
	}

	taking, err := startHL7(t.Context(), s, s.loader.Clock)
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", taking.address.String())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	answers := bufio.NewReader(c)
	if _, err := fmt.Fprintf(c, "\x0b%s\x1c\r", msg("SIU^S12", "3")); err != nil {
		t.Fatal(err)
	}
	answer, err := answers.ReadString(0x1c)
	if err != nil || !strings.Contains(answer, "MSA|AA|3") {
		t.Errorf("answered %q (%v), want AA", answer, err)
	}

	// The sender dies before the byte that ends a message, and sends it again, whole.
	reading := msg("ORU^R01", "4", "PID|1||77^^^H^MR", "PV1|1|I|"+strings.Repeat("|", 16)+"V1", "OBR|1||O|V|||"+stamp, "OBX|1|NM|8480-6^S^LN||142|mm[Hg]|||||F")
	if _, err := fmt.Fprintf(c, "\x0b%s\x0b%s\x1c\r", reading, reading); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"MSA|AR|4\rERR", "MSA|AA|4"} {
		if answer, err := answers.ReadString(0x1c); err != nil || !strings.Contains(answer, want) {
			t.Errorf("answered %q (%v), want %s", answer, err, want)
		}
	}
	taking.stop()
	all, err = s.store.Versions(t.Context(), []string{"V1"})
	if err != nil || len(all["V1"]) != 2 {
		t.Errorf("stored: %+v (%v), want the reading once", all["V1"], err)
	}
}
