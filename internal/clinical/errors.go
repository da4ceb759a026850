package clinical

import (
	"errors"
	"fmt"
)

// Code tells a caller what to do with an error without reading its text.
type Code string

// The codes of domain errors.
const (
	NotFound Code = "not_found" // the thing named does not exist here
	Invalid  Code = "invalid"   // the input cannot be used as given
	Conflict Code = "conflict"  // the state does not allow it now
	Internal Code = "internal"  // our own fault

	Unavailable Code = "unavailable" // it may work in a moment
)

// Error is a domain error: a code for programs and a sentence for people that
// says what to do next.
type Error struct {
	Code    Code
	Message string
	Err     error // the cause, if any
}

// Error returns the sentence for people, with its cause.
func (e *Error) Error() string {
	if e.Err != nil {
		return e.Message + ": " + e.Err.Error()
	}
	return e.Message
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Errorf makes a domain error.
func Errorf(code Code, format string, args ...any) error {
	return &Error{Code: code, Message: fmt.Sprintf(format, args...)}
}

// CodeOf returns the code of err, Internal for an error of another kind and
// "" for nil.
func CodeOf(err error) Code {
	if err == nil {
		return ""
	}
	var e *Error
	if errors.As(err, &e) {
		return e.Code
	}
	return Internal
}
