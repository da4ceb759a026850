// Package deeds does what the people of the demo unit have done about what is owed by the
// morning at which it opens: given, told, taken, put off; and what an administrator has said
// of a text that the site alone can tell.
package deeds

import (
	"context"
	"fmt"
	"slices"
	"time"

	"plumbline/internal/care"
	"plumbline/internal/codebook"
	"plumbline/internal/demo"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// Do does it all, at a moment. The unit's facts are loaded; what is owed by them is opened
// first.
func Do(ctx context.Context, book *codebook.Book, owed *care.Service, at time.Time) error {
	for _, m := range demo.Mappings() {
		c := records.Code{
			System: records.TextSystem, Code: m.Text, Kind: records.CodeDrug, Value: m.ATC, Who: string(records.Administrator),
		}
		if _, err := book.Save(ctx, c); err != nil {
			return err
		}
	}
	if _, err := owed.StepAll(ctx, at); err != nil {
		return err
	}
	for _, d := range demo.Deeds() {
		if err := do(ctx, owed, d, at); err != nil {
			return fmt.Errorf("the demo's %s of %s: %w", d.Do, d.StayID, err)
		}
	}
	return nil
}

func do(ctx context.Context, owed *care.Service, d demo.Deed, at time.Time) error {
	all, err := owed.Stay(ctx, d.StayID)
	if err != nil {
		return err
	}
	n := slices.IndexFunc(all, func(h care.History) bool {
		return h.Episode.Active() && h.Episode.Kind == records.EpisodeKind(d.Kind)
	})
	if n < 0 {
		return fmt.Errorf("nothing of the kind %s is owed", d.Kind)
	}
	a := episodes.Action{Do: episodes.Verb(d.Do), Who: d.Who, Name: d.Name, Reason: d.Reason}
	switch a.Do {
	case episodes.Tell:
		a.ToldAt = at.Add(-d.Ago)
	case episodes.Defer:
		a.Until = at.Add(d.For)
	}
	_, err = owed.Act(ctx, all[n].Episode.ID, a, at)
	return err
}
