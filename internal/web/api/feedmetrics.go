package api

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"plumbline/internal/feedcheck"
)

// feedMetrics reads the feeds' health when it is asked for.
type feedMetrics struct{ *service }

var (
	feedUp = prometheus.NewDesc(
		"plumbline_feed_health_known", "1 if the feeds' health could be told, 0 if not.", nil, nil,
	)
	feedAge = prometheus.NewDesc(
		"plumbline_feed_age_seconds", "Seconds since the feed folder was last read; absent where it never was.", nil, nil,
	)
	feedHeld = prometheus.NewDesc("plumbline_rows_quarantined", "Rows held back.", nil, nil)
	clockOff = prometheus.NewDesc("plumbline_clock_set_seconds",
		"By how much a clock was last seen to be set within the last day, forward or (negative) back; 0 where none was.", nil, nil)
	feedGrowing = prometheus.NewDesc("plumbline_feed_files_growing",
		"Files of the feed folder that are still being written, and not read to their end.", nil, nil)
	leaseHeld = prometheus.NewDesc("plumbline_lease_held",
		"1 where this instance has the lease to read the feeds, 0 where another has or nobody; the owner is who has.",
		[]string{"owner"}, nil)
	leaseFence  = prometheus.NewDesc("plumbline_lease_fence", "How often the lease went to another instance.", nil, nil)
	heldDropped = prometheus.NewDesc("plumbline_rows_dropped_total",
		"Rows held back that were dropped at the bounds of the quarantine: by age or size.", []string{"feed", "kind", "why"}, nil)
	feedUnread = prometheus.NewDesc("plumbline_feed_unread_seconds",
		"For how long the file left longest has held something that is not read; 0 where none has.", nil, nil)
	unitsOpen = prometheus.NewDesc("plumbline_units_in_commissioning",
		"Units whose feeds nobody has said were checked: nobody is told of their patients.", nil, nil)
	unitOpen = prometheus.NewDesc("plumbline_unit_in_commissioning", "1 for a unit that is in commissioning.", []string{"unit"}, nil)
	feedGaps = prometheus.NewDesc("plumbline_feed_gaps",
		"Measures of what feeds bring of units that fall short of the units' own habit.", nil, nil)
	feedGap = prometheus.NewDesc("plumbline_feed_gap", "1 for a measure of a unit, and of a feed where one of several falls short.",
		[]string{"unit", "feed", "measure", "state"}, nil)
	outboxWaits = prometheus.NewDesc("plumbline_outbox_waiting",
		"Messages to the record that it has not taken yet, by way.", []string{"channel"}, nil)
	outboxRefused = prometheus.NewDesc("plumbline_outbox_refused",
		"Messages that the record has refused, by way.", []string{"channel"}, nil)
	outboxOldest = prometheus.NewDesc("plumbline_outbox_oldest_seconds",
		"For how long the oldest message has waited for the record to take it; 0 where none waits.", []string{"channel"}, nil)
	feedWait = prometheus.NewDesc("plumbline_rows_waiting", "Rows that wait for their stay.", nil, nil)
)

// Describe implements prometheus.Collector.
func (f *feedMetrics) Describe(ch chan<- *prometheus.Desc) {
	all := []*prometheus.Desc{
		outboxWaits, outboxRefused, outboxOldest, feedUp, feedAge, feedHeld, feedWait, clockOff, feedGrowing,
		feedUnread, unitsOpen, unitOpen, feedGaps, feedGap,
	}
	for _, d := range all {
		ch <- d
	}
}

// metricsPatience is how long the feeds' health may take to tell.
const metricsPatience = 5 * time.Second

// Collect implements prometheus.Collector.
func (f *feedMetrics) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), metricsPatience)
	defer cancel()
	gauge := func(d *prometheus.Desc, v float64) { ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v) }
	if f.Feeds == nil {
		gauge(feedUp, 0)
		return
	}
	h, err := f.Feeds(ctx)
	if err != nil {
		f.Log.Error("the feeds' health could not be told", "error", err)
		gauge(feedUp, 0)
		return
	}
	gauge(feedUp, 1)
	if !h.LastRead.IsZero() {
		gauge(feedAge, f.Clock().Sub(h.LastRead).Seconds())
	}
	set := 0.
	if h.Clock != nil {
		set = h.Clock.By.Seconds()
	}
	gauge(clockOff, set)
	if l := h.Lease; l != nil {
		mine := 0.
		if l.Mine {
			mine = 1
		}
		ch <- prometheus.MustNewConstMetric(leaseHeld, prometheus.GaugeValue, mine, l.Owner)
		gauge(leaseFence, float64(l.Fence))
	}
	for _, d := range h.Dropped {
		ch <- prometheus.MustNewConstMetric(heldDropped, prometheus.CounterValue, float64(d.Rows), d.Feed, string(d.Kind), d.Why)
	}
	unread := time.Duration(0)
	for _, g := range h.Growing {
		unread = max(unread, f.Clock().Sub(g.Since))
	}
	gauge(feedGrowing, float64(len(h.Growing)))
	gauge(feedUnread, unread.Seconds())
	gauge(feedHeld, float64(h.Held))
	gauge(feedWait, float64(h.Waiting))
	for _, o := range h.Outbox {
		age := 0.
		if !o.Oldest.IsZero() {
			age = f.Clock().Sub(o.Oldest).Seconds()
		}
		for d, n := range map[*prometheus.Desc]float64{
			outboxWaits: float64(o.Waiting), outboxRefused: float64(o.Refused), outboxOldest: age,
		} {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, n, o.Channel)
		}
	}
	gauge(feedGaps, float64(len(h.Gaps)))
	for _, g := range h.Gaps {
		m := g.Habit
		ch <- prometheus.MustNewConstMetric(feedGap, prometheus.GaugeValue, 1, g.Unit, g.Feed, string(m.Measure), string(m.State))
	}
	open := feedcheck.InCommissioning(h.Units)
	gauge(unitsOpen, float64(len(open)))
	for _, unit := range open {
		ch <- prometheus.MustNewConstMetric(unitOpen, prometheus.GaugeValue, 1, unit)
	}
}
