// The falls-risk dashboard of a hospital unit; see `dashboard help`.
package main

import (
	"context"
	"os"

	"plumbline/internal/app"
)

func main() {
	os.Exit(app.Run(context.Background(), os.Args[1:], os.Getenv, os.Stdin, os.Stdout, os.Stderr))
}
