package auth

import (
	"context"
	"crypto/rand"
	"net/netip"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// ScreenStore keeps the enrolled screens. Errors for what is not there carry clinical.NotFound, for
// a name that is taken clinical.Conflict.
type ScreenStore interface {
	Screens(ctx context.Context) ([]records.EnrolledScreen, error) // by name, those too that no longer hold
	AddScreen(ctx context.Context, nameKey string, codeHash []byte, s records.EnrolledScreen) (records.EnrolledScreen, error)
	// EnrolScreen takes a code that holds at a moment, once, and keeps the hash of the secret instead.
	EnrolScreen(ctx context.Context, codeHash, secretHash []byte, at time.Time) (records.EnrolledScreen, error)
	ScreenOf(ctx context.Context, secretHash []byte) (records.EnrolledScreen, error)
	RevokeScreen(ctx context.Context, id int64, at time.Time) error
	TouchScreen(ctx context.Context, id int64, at time.Time) error
}

// Screens enrols displays on walls, and recognises them.
type Screens struct {
	Store  ScreenStore
	Clock  clinical.Clock
	Limits *Limits // of wrong codes
	// Steady runs evenly, whatever is done to the machine's clock. Nil: Clock.
	Steady clinical.Clock
}

// codeLife is for how long a code enrols: somebody walks to the display with it.
const codeLife = 24 * time.Hour

// codeLength is that of a code in characters of rand.Text, five bits each: 60 bits serve for
// a day in which an address has few guesses.
const codeLength = 12

// Make makes a screen for a unit, and the code by which it is enrolled once, in groups of four. The error
// carries clinical.Invalid for a wrong name or unit, clinical.Conflict for a name that was used.
func (s *Screens) Make(ctx context.Context, name, unit, by string) (code string, made records.EnrolledScreen, err error) {
	if err := CheckName(name); err != nil {
		return "", made, err
	}
	if unit == "" {
		return "", made, clinical.Errorf(clinical.Invalid, "the unit is missing; name the one that the screen shows")
	}
	if err := checkUnits([]string{unit}); err != nil {
		return "", made, err
	}
	now := s.Clock()
	code = rand.Text()[:codeLength]
	made, err = s.Store.AddScreen(ctx, NameKey(name), HashToken(code), records.EnrolledScreen{
		Name: name, Unit: unit, MadeBy: by, MadeAt: now, CodeUntil: now.Add(codeLife),
	})
	return code[:4] + "-" + code[4:8] + "-" + code[8:], made, err
}

// Check reports whether a screen may be made by a name: it serves once.
func (s *Screens) Check(ctx context.Context, name string) error {
	all, err := s.Store.Screens(ctx)
	if slices.ContainsFunc(all, func(o records.EnrolledScreen) bool { return NameKey(o.Name) == NameKey(name) }) {
		return clinical.Errorf(clinical.Conflict, "the name %q was used by a screen; choose another one", name)
	}
	return err
}

// Enrol takes a code as it was typed, and returns the secret that the display keeps. The error carries
// clinical.NotFound for a code that does not serve; it is a *WaitError where too many wrong ones
// came from the address lately.
func (s *Screens) Enrol(ctx context.Context, typed string, from netip.Addr) (secret string, got records.EnrolledScreen, err error) {
	code := strings.ToUpper(strings.Map(func(r rune) rune {
		if r == '-' || r == ' ' {
			return -1
		}
		return r
	}, typed))
	secret = NewToken()
	got, err = s.Store.EnrolScreen(ctx, HashToken(code), HashToken(secret), s.Clock())
	if clinical.CodeOf(err) == clinical.NotFound {
		if wait := s.Limits.WrongToken(from, steady(s.Steady, s.Clock)); wait != nil {
			return "", got, wait
		}
	}
	if err != nil {
		return "", got, err
	}
	return secret, got, nil
}

// Resolve recognises a screen by its secret; the error carries clinical.NotFound where it is none or
// was ended.
func (s *Screens) Resolve(ctx context.Context, secret string) (records.EnrolledScreen, error) {
	none := clinical.Errorf(clinical.NotFound, "this screen is not enrolled")
	if secret == "" {
		return records.EnrolledScreen{}, none
	}
	got, err := s.Store.ScreenOf(ctx, HashToken(secret))
	switch {
	case err != nil:
		return got, err
	case !got.Holds():
		return records.EnrolledScreen{}, none
	}
	if hour := s.Clock().UTC().Truncate(useEvery); hour.After(got.UsedAt) {
		err = briefly(ctx, func(brief context.Context) error { return s.Store.TouchScreen(brief, got.ID, hour) })
	}
	return got, err
}

// List lists every screen by name.
func (s *Screens) List(ctx context.Context) ([]records.EnrolledScreen, error) {
	return s.Store.Screens(ctx)
}

// ByID is a screen; the error carries clinical.NotFound where there is none.
func (s *Screens) ByID(ctx context.Context, id int64) (records.EnrolledScreen, error) {
	all, err := s.Store.Screens(ctx)
	for _, one := range all {
		if one.ID == id {
			return one, nil
		}
	}
	if err == nil {
		err = clinical.Errorf(clinical.NotFound, "there is no such screen")
	}
	return records.EnrolledScreen{}, err
}

// Revoke ends a screen at once.
func (s *Screens) Revoke(ctx context.Context, id int64) error {
	return s.Store.RevokeScreen(ctx, id, s.Clock())
}
