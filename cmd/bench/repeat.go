package main

import (
	"slices"
	"time"
)

// median is the middle of values, or the mean of the two in the middle; 0 of
// none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(values))
	mid := len(sorted) / 2
	if len(sorted)%2 == 1 {
		return sorted[mid]
	}
	return (sorted[mid-1] + sorted[mid]) / 2
}

// rate calls f for the length of window, at least once, and returns calls a
// second.
func rate(window time.Duration, f func() error) (float64, error) {
	began := time.Now()
	for n := 1; ; n++ {
		if err := f(); err != nil {
			return 0, err
		}
		if took := time.Since(began); took >= window {
			return float64(n) / took.Seconds(), nil
		}
	}
}

// timed calls f reps times and returns the median of what it took in
// milliseconds.
func timed(reps int, f func() error) (float64, error) {
	var took []float64
	for range reps {
		began := time.Now()
		if err := f(); err != nil {
			return 0, err
		}
		took = append(took, float64(time.Since(began))/float64(time.Millisecond))
	}
	return median(took), nil
}
