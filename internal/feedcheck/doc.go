// Package feedcheck decides whether the feeds can be trusted with a unit: whether somebody has
// checked them. What decides is pure; a Book keeps what was said, through an interface of its
// own.
package feedcheck
