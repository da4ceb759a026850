package frame

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Metrics are the figures for those who run the program. None holds patient data:
// the labels are route patterns, methods and codes.
type Metrics struct {
	Registry *prometheus.Registry
	requests *prometheus.CounterVec
	latency  *prometheus.HistogramVec
	Lists    prometheus.Counter
	SignIns  *prometheus.CounterVec
	tokens   *prometheus.CounterVec
}

func newMetrics(version string) *Metrics {
	m := &Metrics{
		Registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "plumbline_http_requests_total", Help: "Requests answered, by route pattern, method and status.",
		}, []string{"route", "method", "status"}),
		latency: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "plumbline_http_request_seconds", Help: "Time to answer, by route pattern.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5},
		}, []string{"route"}),
		Lists: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "plumbline_list_renders_total", Help: "Ranked lists worked out and rendered; a kept one is not counted.",
		}),
		SignIns: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "plumbline_sign_ins_total", Help: "Attempts to sign in: right, wrong, or told to wait.",
		}, []string{"result"}),
		tokens: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "plumbline_tokens_total", Help: "Requests with a token: right, wrong, or told to wait.",
		}, []string{"result"}),
	}
	m.Registry.MustRegister(m.requests, m.latency, m.Lists, m.SignIns, m.tokens, collectors.NewGoCollector(),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "plumbline_build_info", Help: "1, with the version.", ConstLabels: prometheus.Labels{"version": version},
		}, func() float64 { return 1 }))
	return m
}

// Handler answers with the figures.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.Registry, promhttp.HandlerOpts{})
}
