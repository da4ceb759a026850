package feeds

import "testing"

// Reading all rows again is one work: who asks while it runs does not begin another.
func TestAllRowsAreReadAgainOnceAtATime(t *testing.T) {
	var desk Desk
	desk.all.Lock() // somebody else's is still running; without a loader a second would panic
	if _, done, err := desk.Retry(t.Context(), 0); err != nil || done {
		t.Errorf("twice at once: %v, %v", done, err)
	}
}
