package store

import "time"

// micros is a moment as it is stored. The zero time needs no word of its own:
// it is the year 1, which comes before every recorded moment and reads back as
// the zero time.
func micros(t time.Time) int64 { return t.UnixMicro() }

func fromMicros(n int64) time.Time { return time.UnixMicro(n).UTC() }

// optional is a moment that may be missing: NULL for the zero time.
func optional(t time.Time) *int64 {
	if t.IsZero() {
		return nil
	}
	n := micros(t)
	return &n
}

func fromOptional(n *int64) time.Time {
	if n == nil {
		return time.Time{}
	}
	return fromMicros(*n)
}

// cut brings a moment to the form in which it is stored.
func cut(t *time.Time) { *t = fromMicros(micros(*t)) }

// cutEnd is cut for an end that may be open. The caller's time stays as it is.
func cutEnd(t **time.Time) {
	if *t != nil {
		end := fromMicros(micros(**t))
		*t = &end
	}
}
