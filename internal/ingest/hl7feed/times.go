package hl7feed

import (
	"strconv"
	"time"

	"plumbline/internal/ingest/feed"
)

const noTimeOfDay = "no time of day"

// stamp reads a time of HL7 (YYYYMMDDHHMM[SS[.S[S[S[S]]]]][+/-ZZZZ]) to the microsecond. A
// time without an offset is read in the zone. The reason says why it cannot be used: it is
// not to be guessed what a day alone means.
func stamp(text string, zone *time.Location) (t time.Time, reason string) {
	digits, rest := leadingDigits(text)
	var fraction string
	if len(rest) > 0 && rest[0] == '.' {
		fraction, rest = leadingDigits(rest[1:])
	}
	offset, plain, ok := offsetOf(rest)
	if !ok || len(fraction) > 6 || !validDigits(digits) {
		return t, "the time " + strconv.Quote(text) + " cannot be read"
	}
	if len(digits) < 12 {
		return t, noTimeOfDay
	}
	n := func(from, to int) int {
		if to > len(digits) {
			return 0
		}
		v, _ := strconv.Atoi(digits[from:to])
		return v
	}
	micros, _ := strconv.Atoi((fraction + "000000")[:6])
	wall := time.Date(n(0, 4), time.Month(n(4, 6)), n(6, 8), n(8, 10), n(10, 12), n(12, 14), micros*1000, time.UTC)
	if plain {
		return feed.Local(wall, zone), ""
	}
	return wall.Add(-offset), ""
}

func leadingDigits(s string) (digits, rest string) {
	n := 0
	for n < len(s) && '0' <= s[n] && s[n] <= '9' {
		n++
	}
	return s[:n], s[n:]
}

// offsetOf reads +ZZZZ; plain where there is none.
func offsetOf(s string) (offset time.Duration, plain, ok bool) {
	if s == "" {
		return 0, true, true
	}
	digits, rest := leadingDigits(s[1:])
	if s[0] != '+' && s[0] != '-' || len(digits) != 4 || rest != "" || digits[:2] > "23" || digits[2:] > "59" {
		return 0, false, false
	}
	hours, _ := strconv.Atoi(digits[:2])
	minutes, _ := strconv.Atoi(digits[2:])
	offset = time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute
	if s[0] == '-' {
		offset = -offset
	}
	return offset, false, true
}

// validDigits reports whether the digits are a date, with or without a time of day.
func validDigits(d string) bool {
	for _, layout := range []string{"2006", "200601", "20060102", "2006010215", "200601021504", "20060102150405"} {
		if len(layout) == len(d) {
			_, err := time.Parse(layout, d)
			return err == nil && d[:4] != "0000"
		}
	}
	return false
}

// birthDate is a date of birth as YYYY-MM-DD; "" where it is not known to the day.
func birthDate(text string) string {
	digits, _ := leadingDigits(text)
	if len(digits) < 8 {
		return ""
	}
	d := digits[:4] + "-" + digits[4:6] + "-" + digits[6:8]
	if _, ok := feed.ParseDate(d); !ok {
		return ""
	}
	return d
}
