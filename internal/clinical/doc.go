// Package clinical holds the words of the domain: facts and their versions,
// units, code tables and the policy. It imports the standard library only, so
// that every other package can speak its language without taking on a
// database, a web framework or a clock.
package clinical
