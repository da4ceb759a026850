package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func TestScreensAreEnrolledOnceAndEnded(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		want := records.EnrolledScreen{Name: "Wall", Unit: "4W", MadeBy: "root", MadeAt: hours(1), CodeUntil: hours(25)}
		got := get(s.AddScreen(ctx, "wall", []byte("code"), want))(t)
		want.ID = got.ID
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
		if _, err := s.AddScreen(ctx, "wall", []byte("other"), want); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("a name serves twice: %v", err)
		}
		for what, c := range map[string]struct {
			code string
			at   float64
		}{"another code": {"cod", 2}, "late": {"code", 25}} {
			if _, err := s.EnrolScreen(ctx, []byte(c.code), []byte("secret"), hours(c.at)); clinical.CodeOf(err) != clinical.NotFound {
				t.Errorf("%s: %v", what, err)
			}
		}
		want.EnrolledAt = hours(3)
		if diff := cmp.Diff(want, get(s.EnrolScreen(ctx, []byte("code"), []byte("secret"), hours(3)))(t)); diff != "" {
			t.Error(diff)
		}
		if _, err := s.EnrolScreen(ctx, []byte("code"), []byte("again"), hours(3)); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("a code serves twice: %v", err)
		}
		must(t, s.TouchScreen(ctx, want.ID, hours(5)))
		must(t, s.TouchScreen(ctx, want.ID, hours(4)))
		must(t, s.RevokeScreen(ctx, want.ID, hours(6)))
		must(t, s.RevokeScreen(ctx, want.ID, hours(7)))
		want.UsedAt, want.RevokedAt = hours(5), hours(6)
		if diff := cmp.Diff([]records.EnrolledScreen{want}, get(s.Screens(ctx))(t)); diff != "" {
			t.Error(diff)
		}
		if diff := cmp.Diff(want, get(s.ScreenOf(ctx, []byte("secret")))(t)); diff != "" {
			t.Error(diff)
		}
	})
}
