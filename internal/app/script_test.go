package app

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"plumbline/internal/drill"
)

// TestMain lets the scripts under testdata run the program as a command, and the
// test of killed loads start it as a process.
func TestMain(m *testing.M) {
	if lasts, err := time.ParseDuration(os.Getenv(shortLease)); err == nil {
		leaseBy = leaseTimes{lasts: lasts, every: lasts / 10, margin: lasts / 3, patience: lasts / 3}
	}
	if os.Getenv(asCommand) != "" {
		os.Exit(Run(context.Background(), os.Args[1:], os.Getenv, os.Stdin, os.Stdout, os.Stderr))
	}
	testscript.Main(m, map[string]func(){
		"dashboard": func() {
			os.Exit(Run(context.Background(), os.Args[1:], os.Getenv, os.Stdin, os.Stdout, os.Stderr))
		},
	})
}

// Each script is what a person types and what they see; see testdata/script.
func TestScripts(t *testing.T) {
	scripts, err := filepath.Glob("testdata/script/*.txtar")
	if err != nil || len(scripts) < 10 {
		t.Fatalf("%d scripts, %v", len(scripts), err)
	}
	testscript.Run(t, testscript.Params{
		Files: drill.Few(5, scripts),
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			// latin1 FILE writes a fluids file that is not UTF-8: a script cannot hold one.
			"latin1": func(ts *testscript.TestScript, _ bool, args []string) {
				text := "source_id,stay_id,from,to,direction,volume,kind\n" +
					"f1,S1,2026-03-02T06:00:00Z,2026-03-02T07:00:00Z,in,200,caf\xe9\n"
				ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text), 0o600))
			},
		},
		Setup: func(e *testscript.Env) error {
			e.Setenv("PLUMBLINE_DATABASE", e.WorkDir+"/data/test.db")
			return nil
		},
	})
}
