package episodes

import (
	"encoding/json"
	"fmt"
	"time"
)

// Figures are the named figures of a sentence. Their JSON form names the type of
// each value, so that what the store gives back makes the same sentence.
type Figures map[string]any

// figure is one value: exactly one member is set.
type figure struct {
	Number *float64   `json:"number,omitempty"`
	Count  *int       `json:"count,omitempty"`
	Word   *string    `json:"word,omitempty"`
	Words  *[]string  `json:"words,omitempty"`
	Time   *time.Time `json:"time,omitempty"`
}

// MarshalJSON writes the figures with their types. A value of another type than
// a sentence can hold is an error.
func (f Figures) MarshalJSON() ([]byte, error) {
	if f == nil {
		return []byte("null"), nil
	}
	out := make(map[string]figure, len(f))
	for name, v := range f {
		one, err := figureOf(v)
		if err != nil {
			return nil, fmt.Errorf("figure %s: %w", name, err)
		}
		out[name] = one
	}
	return json.Marshal(out)
}

func figureOf(v any) (figure, error) {
	switch v := v.(type) {
	case float64:
		return figure{Number: &v}, nil
	case int:
		return figure{Count: &v}, nil
	case string:
		return figure{Word: &v}, nil
	case []string:
		if v == nil {
			v = []string{}
		}
		return figure{Words: &v}, nil
	case time.Time:
		return figure{Time: &v}, nil
	}
	return figure{}, fmt.Errorf("a value of type %T has no place in a sentence", v)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (f *Figures) UnmarshalJSON(body []byte) error {
	var in map[string]figure
	if err := json.Unmarshal(body, &in); err != nil || in == nil {
		*f = nil
		return err
	}
	*f = make(Figures, len(in))
	for name, one := range in {
		switch {
		case one.Number != nil:
			(*f)[name] = *one.Number
		case one.Count != nil:
			(*f)[name] = *one.Count
		case one.Word != nil:
			(*f)[name] = *one.Word
		case one.Words != nil:
			(*f)[name] = *one.Words
		case one.Time != nil:
			(*f)[name] = *one.Time
		default:
			return fmt.Errorf("figure %s has no value", name)
		}
	}
	return nil
}
