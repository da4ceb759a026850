package episodes

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
)

// ContradictionRules are the rules of what contradicts itself, and of the feeds.
var ContradictionRules = []clinical.Rule{
	{ID: CImplausible, Source: "V-PLAUSIBLE: policy of the site", Figures: ImplausibleFigures{}},
	{ID: CFatal, Source: consistency, Figures: FatalFigures{}},
	{ID: CBefore, Source: consistency, Figures: BeforeFigures{}},
	{ID: CEnded, Source: consistency, Figures: EndedFigures{}},
	{ID: CTwice, Source: consistency, Figures: TwiceFigures{}},
	{ID: CFeed, Source: "common practice, no source", Figures: FeedFigures{}},
}

const consistency = "two things that cannot both be so"

// Rules is the part of the table of rules by which an episode can be opened.
var Rules = slices.Concat(alerts.TierRules, alerts.RecheckRules, ContradictionRules)

// ImplausibleFigures tell the set that holds a value which cannot be.
type ImplausibleFigures struct {
	SetAt time.Time `json:"set_at"`
}

// FatalFigures tell a fall charted as fatal, and the set after it.
type FatalFigures struct {
	FellAt time.Time `json:"fell_at"`
	SetAt  time.Time `json:"set_at"`
}

// BeforeFigures tell a fall of the stay that is timed before its admission.
type BeforeFigures struct {
	FellAt     time.Time `json:"fell_at"`
	AdmittedAt time.Time `json:"admitted_at"`
}

// EndedFigures tell a precaution that ended before it began.
type EndedFigures struct {
	What string    `json:"what"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// TwiceFigures tell the beds of two stays of one patient, and since when there are two.
type TwiceFigures struct {
	OtherBed   string    `json:"other_bed"`
	Bed        string    `json:"bed"`
	AdmittedAt time.Time `json:"admitted_at"`
}

// FeedFigures tell a feed that is not read.
type FeedFigures struct {
	Feed  string     `json:"feed"`
	Why   string     `json:"why"`   // for people
	Since *time.Time `json:"since"` // of the last that was read of it; nil: nothing ever
}

// SetTaken tells the set by which an episode ended. It is of no rule.
type SetTaken struct {
	SetAt time.Time `json:"set_at"`
}

// OfRule marks the figures of a rule.
func (ImplausibleFigures) OfRule() {}
func (FatalFigures) OfRule()       {}
func (BeforeFigures) OfRule()      {}
func (EndedFigures) OfRule()       {}
func (TwiceFigures) OfRule()       {}
func (FeedFigures) OfRule()        {}
func (SetTaken) OfRule()           {}

// ReadFigures reads the figures of a rule as an episode keeps them, nil for null.
// Figures kept until November 2026 named the type of each value:
// {"falls":{"count":2}}. They are read too.
func ReadFigures(rule string, kept []byte) (clinical.Figures, error) {
	if len(kept) == 0 || bytes.Equal(kept, []byte("null")) {
		return nil, nil
	}
	var empty clinical.Figures = SetTaken{}
	if rule != "" {
		n := slices.IndexFunc(Rules, func(r clinical.Rule) bool { return r.ID == rule })
		if n < 0 {
			return nil, fmt.Errorf("no episode is known by the rule %q", rule)
		}
		empty = Rules[n].Figures
	}
	var values map[string]json.RawMessage
	if err := json.Unmarshal(kept, &values); err != nil {
		return nil, fmt.Errorf("the figures of %s: %w", rule, err)
	}
	for name, value := range values {
		values[name] = withoutType(value)
	}
	plain, err := json.Marshal(values)
	if err != nil {
		return nil, err
	}
	into := reflect.New(reflect.TypeOf(empty))
	if err := json.Unmarshal(plain, into.Interface()); err != nil {
		return nil, fmt.Errorf("the figures of %s: %w", rule, err)
	}
	return into.Elem().Interface().(clinical.Figures), nil
}

// withoutType takes off the type that figures named until November 2026. No figure
// of today is an object.
func withoutType(value json.RawMessage) json.RawMessage {
	var typed map[string]json.RawMessage
	if json.Unmarshal(value, &typed) != nil || len(typed) != 1 {
		return value
	}
	for _, name := range []string{"number", "count", "word", "words", "time"} {
		if inner, ok := typed[name]; ok {
			return inner
		}
	}
	return value
}

// UnmarshalJSON reads an episode as it is kept.
func (e *Episode) UnmarshalJSON(body []byte) error {
	type plain Episode
	in := struct {
		*plain
		Figures json.RawMessage `json:"figures"`
	}{plain: (*plain)(e)}
	if err := json.Unmarshal(body, &in); err != nil {
		return err
	}
	var err error
	e.Figures, err = ReadFigures(e.Rule, in.Figures)
	return err
}

// UnmarshalJSON reads an event as it is kept.
func (v *Event) UnmarshalJSON(body []byte) error {
	type plain Event
	in := struct {
		*plain
		Figures json.RawMessage `json:"figures"`
	}{plain: (*plain)(v)}
	if err := json.Unmarshal(body, &in); err != nil {
		return err
	}
	var err error
	v.Figures, err = ReadFigures(v.Rule, in.Figures)
	return err
}
