package browsertest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
)

// said is a test that only remembers what ended it.
type said struct {
	testing.TB
	text string
}

func (*said) Helper() {}

func (s *said) Fatalf(format string, args ...any) { s.text = fmt.Sprintf(format, args...) }

func TestAStepThatHangsTellsWhatEveryGoroutineDoes(t *testing.T) {
	var hung, failed said
	must(&hung, "open a page", fmt.Errorf("reading: %w", context.DeadlineExceeded))
	if !strings.Contains(hung.text, "open a page: hangs") || !strings.Contains(hung.text, t.Name()) {
		t.Errorf("a step that hangs says %q", hung.text)
	}
	must(&failed, "open a page", errors.New("no such host"))
	if failed.text != "open a page: no such host" {
		t.Errorf("a step that fails says %q", failed.text)
	}
}
