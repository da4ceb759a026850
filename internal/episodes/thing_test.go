package episodes

import (
	"testing"
	"time"

	"plumbline/internal/records"
)

// A set that was overdue and is asked for anew after a fall is one thing: since when it is owed and that people
// were told of it is that of the older demand, so that no line says "overdue" and "not overdue yet".
func TestAnOverdueThingStaysSoWhateverIsAskedForNext(t *testing.T) {
	now := time.Date(2026, 11, 30, 16, 0, 0, 0, time.UTC)
	list := []records.Episode{
		{ID: "1", StayID: "S1", Kind: RecheckOverdue, State: Open, RaisedAt: now.Add(-72 * time.Hour), Told: []string{"4W"}},
		{ID: "2", StayID: "S1", Kind: FallWithoutSet, State: Open, RaisedAt: now.Add(-time.Hour)},
	}
	got := Things(list, nil)
	if len(got) != 1 || len(got[0].Told) != 1 || !got[0].RaisedAt.Equal(list[0].RaisedAt) || got[0].Kind != FallWithoutSet {
		t.Errorf("things: %+v", got)
	}
}
