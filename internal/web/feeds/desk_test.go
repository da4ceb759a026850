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

// Where the machine keeps its files is nobody's business who looks at feeds.
func TestAFileIsShownByItsFolderBelowTheFeedFolder(t *testing.T) {
	for _, c := range []struct{ feedFolder, file, want string }{
		{"/site/feed", "/site/feed/stays.csv", ""},
		{"/site/feed", "/site/feed/night/vitals.csv", "night"},
		{"/site/feed", "/site/feed/night/late/vitals.csv", "night/late"},
		{"/site/feed", "/site/elsewhere/vitals.csv", "elsewhere"},
		{"", "/site/elsewhere/vitals.csv", "elsewhere"}, // no feed folder is set
		{"/site/feed", "notes.csv", ""},                 // no load knows it
	} {
		if got := folderOf(c.feedFolder, c.file); got != c.want {
			t.Errorf("%s below %s: %q, want %q", c.file, c.feedFolder, got, c.want)
		}
	}
}
