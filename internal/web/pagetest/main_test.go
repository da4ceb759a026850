package pagetest

import (
	"os"
	"testing"

	"plumbline/internal/browsertest"
)

func TestMain(m *testing.M) { os.Exit(browsertest.Main(m)) }
