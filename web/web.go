// Package web carries the pages' templates and what browsers fetch beside them.
// static/vendor is put there by `make assets`; without it the pages still work,
// with tables in place of charts.
package web

import "embed"

// Templates are the html/template files of the pages.
//
//go:embed templates
var Templates embed.FS

// Static are the files that browsers fetch.
//
//go:embed static
var Static embed.FS
