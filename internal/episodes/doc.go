// Package episodes turns what is owed into something that is somebody's: an
// episode opens when a condition of a stay begins to hold, is taken, put off or
// closed by people, ends by evidence, and is opened again by new evidence only.
//
// It is pure. Conditions says what holds, of an assessment; Step compares that
// with the episodes there are and returns the transitions of that moment; Act
// does what a person asked. Each transition carries one event, and the events of
// an episode, replayed, give its state. docs/episodes.md says what each kind
// means on the ward.
package episodes
