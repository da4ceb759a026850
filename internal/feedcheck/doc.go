// Package feedcheck decides whether the feeds can be trusted with a unit: whether somebody has
// checked them, and whether they bring what they usually do. What decides is pure (StatesOf, CountOf,
// Judge, Gaps); a Book keeps what was said and a Watch what was counted, through interfaces of their
// own.
package feedcheck
