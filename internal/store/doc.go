// Package store keeps the versions of facts, on SQLite (embedded, the default)
// and on PostgreSQL, with one behaviour.
//
// A version of a fact is written once and never changed, save for where it
// stood (see LoadFile). What a chart needs of a stay, who can have been on a
// unit, and which rows wait for their stay are kept beside it in the same
// transaction, so that a reader never sees one without the other.
//
// One transaction at a time writes facts, on either engine: SQLite has one
// writer anyway, and on PostgreSQL an advisory lock makes it so. What is derived
// from the versions is therefore derived from all of them.
//
// The package asks for no clock: moments come from the caller. Times are cut to
// microseconds and kept as microseconds since 1970 in UTC.
package store
