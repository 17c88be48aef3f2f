package publish

import "sync/atomic"

// durationBoundsMS are the upper bounds of Durations' buckets in milliseconds:
// from a TCP device on the same switch to the longest time-out in use.
var durationBoundsMS = [...]int64{2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000}

// Durations counts how long exchanges took. The zero value is empty; methods
// may be called from several goroutines.
type Durations struct {
	buckets [len(durationBoundsMS) + 1]atomic.Int64 // not cumulative; the last is beyond all bounds
	sumMS   atomic.Int64
}

// ObserveMS counts one exchange of ms milliseconds.
func (d *Durations) ObserveMS(ms int64) {
	i := 0
	for i < len(durationBoundsMS) && ms > durationBoundsMS[i] {
		i++
	}
	d.buckets[i].Add(1)
	d.sumMS.Add(ms)
}

// read returns the histogram in seconds, buckets cumulative by upper bound.
func (d *Durations) read() (count uint64, sumS float64, cumulative map[float64]uint64) {
	cumulative = make(map[float64]uint64, len(durationBoundsMS))
	sumS = float64(d.sumMS.Load()) / 1000
	for i, bound := range durationBoundsMS {
		count += uint64(d.buckets[i].Load())
		cumulative[float64(bound)/1000] = count
	}
	count += uint64(d.buckets[len(durationBoundsMS)].Load())
	return count, sumS, cumulative
}
