package records

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"

	"plumbline/internal/clinical"
)

// ReadEpisode reads an episode as it is kept. The rules are those whose figures it may
// hold (episodes.KeptRules): what a figure is stands in their table alone.
func ReadEpisode(body []byte, rules []clinical.Rule) (Episode, error) {
	var e Episode
	in := struct {
		*Episode
		Figures json.RawMessage `json:"figures"`
	}{Episode: &e}
	if err := json.Unmarshal(body, &in); err != nil {
		return e, err
	}
	var err error
	e.Figures, err = ReadFigures(rules, e.Rule, in.Figures)
	return e, err
}

// ReadEpisodeEvent reads an event as it is kept; rules as with ReadEpisode.
func ReadEpisodeEvent(body []byte, rules []clinical.Rule) (EpisodeEvent, error) {
	var v EpisodeEvent
	in := struct {
		*EpisodeEvent
		Figures json.RawMessage `json:"figures"`
	}{EpisodeEvent: &v}
	if err := json.Unmarshal(body, &in); err != nil {
		return v, err
	}
	var err error
	v.Figures, err = ReadFigures(rules, v.Rule, in.Figures)
	return v, err
}

// ReadFigures reads the figures of a rule as an episode keeps them, nil for null.
// Figures kept until November 2026 named the type of each value:
// {"falls":{"count":2}}. They are read too.
func ReadFigures(rules []clinical.Rule, rule string, kept []byte) (clinical.Figures, error) {
	if len(kept) == 0 || bytes.Equal(kept, []byte("null")) {
		return nil, nil
	}
	n := slices.IndexFunc(rules, func(r clinical.Rule) bool { return r.ID == rule })
	if n < 0 || rules[n].Figures == nil {
		return nil, fmt.Errorf("no episode is known by the rule %q", rule)
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
	into := reflect.New(reflect.TypeOf(rules[n].Figures))
	if err := json.Unmarshal(plain, into.Interface()); err != nil {
		return nil, fmt.Errorf("the figures of %s: %w", rule, err)
	}
	return into.Elem().Interface().(clinical.Figures), nil
}

// withoutType takes off the type that figures named until November 2026. No figure
// of today is an object of one value.
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
