package server

import (
	"context"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics are the figures for those who run the program. None holds patient data:
// the labels are route patterns, methods and codes.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.CounterVec
	latency  *prometheus.HistogramVec
	lists    prometheus.Counter
	signIns  *prometheus.CounterVec
	tokens   *prometheus.CounterVec
}

func newMetrics(d Deps) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "plumbline_http_requests_total", Help: "Requests answered, by route pattern, method and status.",
		}, []string{"route", "method", "status"}),
		latency: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "plumbline_http_request_seconds", Help: "Time to answer, by route pattern.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5},
		}, []string{"route"}),
		lists: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "plumbline_list_renders_total", Help: "Ranked lists worked out and rendered; a kept one is not counted.",
		}),
		signIns: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "plumbline_sign_ins_total", Help: "Attempts to sign in: right, wrong, or told to wait.",
		}, []string{"result"}),
		tokens: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "plumbline_tokens_total", Help: "Requests with a token: right, wrong, or told to wait.",
		}, []string{"result"}),
	}
	m.registry.MustRegister(m.requests, m.latency, m.lists, m.signIns, m.tokens, &feedMetrics{d}, collectors.NewGoCollector(),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "plumbline_build_info", Help: "1, with the version.", ConstLabels: prometheus.Labels{"version": d.Version},
		}, func() float64 { return 1 }))
	return m
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

// feedMetrics reads the feeds' health when it is asked for.
type feedMetrics struct{ Deps }

var (
	feedUp   = prometheus.NewDesc("plumbline_feed_health_known", "1 if the feeds' health could be told, 0 if not.", nil, nil)
	feedAge  = prometheus.NewDesc("plumbline_feed_age_seconds", "Seconds since the feed folder was last read; absent where it never was.", nil, nil)
	feedHeld = prometheus.NewDesc("plumbline_rows_quarantined", "Rows held back.", nil, nil)
	feedWait = prometheus.NewDesc("plumbline_rows_waiting", "Rows that wait for their stay.", nil, nil)
)

// Describe implements prometheus.Collector.
func (f *feedMetrics) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{feedUp, feedAge, feedHeld, feedWait} {
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
	gauge(feedHeld, float64(h.HeldTotal))
	gauge(feedWait, float64(h.Waiting))
}
