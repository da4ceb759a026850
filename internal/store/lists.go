package store

import (
	"cmp"
	"iter"
	"slices"
	"strings"
)

// parts cuts a list into parts of at most n, for statements take only so many values.
func parts[T any](list []T, n int) iter.Seq[[]T] { return slices.Chunk(list, n) }

// tuples is one tuple of placeholders, n times over.
func tuples(tuple string, n int) string {
	return strings.TrimSuffix(strings.Repeat(tuple+",", n), ",")
}

// distinct sorts a list by its bytes and drops what stands in it twice.
func distinct[T cmp.Ordered](list []T) []T {
	out := slices.Sorted(slices.Values(list))
	return slices.Compact(out)
}
