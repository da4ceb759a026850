package feedcheck

import (
	"context"
	"slices"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Store is what the book needs of a store.
type Store interface {
	// Units lists every unit that a stay has ever named.
	Units(ctx context.Context) ([]string, error)
	AddUnitCheck(ctx context.Context, c records.UnitCheck) error
	UnitChecks(ctx context.Context) ([]records.UnitCheck, error) // the first one first
}

// Book keeps what was said of the feeds of the units of one site.
type Book struct {
	Store Store
	Clock clinical.Clock
}

// States tells of every unit that a stay has named whether it is in commissioning.
func (b *Book) States(ctx context.Context) ([]UnitState, error) {
	units, err := b.Store.Units(ctx)
	if err != nil {
		return nil, err
	}
	checks, err := b.Store.UnitChecks(ctx)
	return StatesOf(units, checks), err
}

// Commissioning lists the units that are in commissioning.
func (b *Book) Commissioning(ctx context.Context) ([]string, error) {
	states, err := b.States(ctx)
	return InCommissioning(states), err
}

// Unchecked reports whether a unit is in commissioning.
func (b *Book) Unchecked(ctx context.Context, unit string) (bool, error) {
	checks, err := b.Store.UnitChecks(ctx)
	return StatesOf([]string{unit}, checks)[0].Commissioning, err
}

// Say keeps that the feeds of a unit were checked, or are to be checked again. What is so
// already is not said twice. The error carries clinical.Invalid for no unit.
func (b *Book) Say(ctx context.Context, unit string, checked bool, who string) error {
	if unit == "" {
		return clinical.Errorf(clinical.Invalid, "the unit is missing; name one")
	}
	checks, err := b.Store.UnitChecks(ctx)
	if err != nil {
		return err
	}
	said := slices.ContainsFunc(checks, func(c records.UnitCheck) bool { return c.Unit == unit })
	if said && StatesOf([]string{unit}, checks)[0].Commissioning == !checked {
		return nil
	}
	return b.Store.AddUnitCheck(ctx, records.UnitCheck{Unit: unit, Checked: checked, Who: who, At: b.Clock()})
}
