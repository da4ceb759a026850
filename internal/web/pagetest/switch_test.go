package pagetest

import (
	"net/http"
	"sync/atomic"
)

// switchable answers 503 while down is set.
func switchable(h http.Handler, down *atomic.Bool) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if down.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		h.ServeHTTP(w, r)
	})
}
