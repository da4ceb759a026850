package policy

// SaidProblem and SaidError are how the catalogue of words says what is wrong. The tests outside of
// the package set them, for the catalogue imports the package.
var (
	SaidProblem func(Problem) string
	SaidError   func(error) string
)
