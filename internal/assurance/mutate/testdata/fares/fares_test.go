package fares

import "testing"

func TestFare(t *testing.T) {
	if Fare(10) != 50 || Fare(40) != 100 {
		t.Error(Fare(10), Fare(40))
	}
}

func TestCount(t *testing.T) {
	if got := Count([]int{10, 40, 70, 10}, 70); got != 150 {
		t.Error(got)
	}
	if got := Count([]int{10}, 70); got != 50 {
		t.Error(got)
	}
}
