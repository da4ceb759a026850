package fhirfeed

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"plumbline/internal/ingest/feed"
)

var errNoTimeOfDay = errors.New("no time of day")

var partialDate = regexp.MustCompile(`^\d{4}(-\d{2})?$`)

// moment is a date or a time of FHIR. of is false where the text is empty.
type moment struct {
	at      time.Time
	dayOnly bool // a date: at is 00:00 in the site's zone
	said    bool
}

// readMoment reads a dateTime or an instant. The error says what is wrong with it.
func readMoment(text string, zone *time.Location) (moment, error) {
	if text = strings.TrimSpace(text); text == "" {
		return moment{}, nil
	}
	if t, ok := feed.ParseTime(text, zone); ok {
		return moment{at: t, said: true}, nil
	}
	if date, ok := feed.ParseDate(text); ok {
		day, _ := time.Parse("2006-01-02", date)
		return moment{at: feed.Local(day, zone), dayOnly: true, said: true}, nil
	}
	if partialDate.MatchString(text) {
		return moment{}, fmt.Errorf("%q names no day", text)
	}
	return moment{}, fmt.Errorf("is not a time: %q", text)
}

// end is the end of a day where only a day is said.
func (m moment) end(zone *time.Location) *time.Time {
	switch {
	case !m.said:
		return nil
	case !m.dayOnly:
		return &m.at
	}
	day := m.at.In(zone)
	next := feed.Local(time.Date(day.Year(), day.Month(), day.Day()+1, 0, 0, 0, 0, time.UTC), zone)
	return &next
}

// ofDay is a time that needs a time of day.
func ofDay(name, text string, zone *time.Location) (time.Time, error) {
	m, err := readMoment(text, zone)
	switch {
	case err != nil:
		return m.at, fmt.Errorf("%s %w", name, err)
	case !m.said:
		return m.at, fmt.Errorf("%s is missing", name)
	case m.dayOnly:
		return m.at, fmt.Errorf("%w: %s is %s", errNoTimeOfDay, name, text)
	}
	return m.at, nil
}

// started is a time or the start of a day.
func started(name, text string, zone *time.Location) (moment, error) {
	m, err := readMoment(text, zone)
	switch {
	case err != nil:
		return m, fmt.Errorf("%s %w", name, err)
	case !m.said:
		return m, fmt.Errorf("%s is missing", name)
	}
	return m, nil
}

// ended is the end of something: the end of a day where only a day is said; nil without one.
func ended(name, text string, zone *time.Location) (*time.Time, error) {
	m, err := readMoment(text, zone)
	if err != nil {
		return nil, fmt.Errorf("%s %w", name, err)
	}
	return m.end(zone), nil
}
