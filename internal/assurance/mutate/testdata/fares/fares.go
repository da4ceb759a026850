// Package fares is small enough to know the fate of each of its mutants.
package fares

const child, adult = 50, 100 // pence

// Fare is the fare at an age in years, in pence.
func Fare(age int) int {
	if age < 16 {
		return child
	}
	return adult
}

// Count adds up until it has met an age.
func Count(ages []int, last int) int {
	sum := 0
	for n := 0; n < len(ages); n++ {
		if ages[n] == last {
			break
		}
		sum += Fare(ages[n])
	}
	return sum
}

// Free is called by no test.
func Free(age int) bool { return age > 99 }
