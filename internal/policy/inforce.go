package policy

import (
	"context"
	"sync/atomic"
)

// InForce tells which policy is in force. It may be another one the next time, so
// who makes an answer of several parts asks once.
type InForce interface{ Current() Loaded }

// Current makes a policy one that is in force for good.
func (l Loaded) Current() Loaded { return l }

// Switch holds the policy in force and can be set to another, from any goroutine.
type Switch struct{ now atomic.Pointer[Loaded] }

// NewSwitch begins with a policy.
func NewSwitch(l Loaded) *Switch {
	s := &Switch{}
	s.Set(l)
	return s
}

// Current is the policy in force.
func (s *Switch) Current() Loaded { return *s.now.Load() }

// Set puts another policy in force.
func (s *Switch) Set(l Loaded) { s.now.Store(&l) }

type pinKey struct{}

// Pin keeps to one policy for all that is done under the context: a page and its
// parts are made by the same one, however the policy in force changes meanwhile.
func Pin(ctx context.Context, l Loaded) context.Context {
	return context.WithValue(ctx, pinKey{}, l)
}

// For is the policy to which the context is pinned, else the one in force.
func For(ctx context.Context, in InForce) Loaded {
	if l, pinned := ctx.Value(pinKey{}).(Loaded); pinned {
		return l
	}
	return in.Current()
}
