// Command generate writes seed/feed from the stories of internal/demo. Run it
// from the root of the repository: go run ./internal/demo/generate
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"plumbline/internal/demo"
)

func main() {
	folder := flag.String("to", filepath.Join("seed", "feed"), "folder to write the files into")
	flag.Parse()
	if err := write(*folder); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

// write replaces the CSV files of the folder.
func write(folder string) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	old, err := filepath.Glob(filepath.Join(folder, "*.csv"))
	if err != nil {
		return err
	}
	for _, name := range old {
		if err := os.Remove(name); err != nil {
			return err
		}
	}
	for _, f := range demo.Generate(demo.AnchorTime()) {
		if err := os.WriteFile(filepath.Join(folder, f.Name), f.Data, 0o644); err != nil {
			return err
		}
	}
	return nil
}
