package hl7feed

import (
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Compose implements feed.Composer. The first word of a topic is its kind.
func (r Reader) Compose(topic string, look records.Look, _ feed.Options) (records.Composed, error) {
	kind, rest, _ := strings.Cut(topic, " ")
	switch kind {
	case "visit":
		return r.composeVisit(rest, look)
	case "reading":
		return r.composeReading(topic, look)
	case "order":
		return r.composeOrder(topic, look)
	case "spans":
		return r.composeSpans(topic, look)
	case "fact":
		of, _, _ := strings.Cut(rest, " ")
		return r.composeSingle(topic, clinical.Kind(of), look)
	}
	return records.Composed{}, nil // persons and moved visits are looked at
}
