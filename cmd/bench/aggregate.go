package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/simulator"
)

const (
	// aggregateChannels of a week of seconds are 24 million samples.
	aggregateChannels = 40
	aggregateReps     = 5
)

// aggregate is what one channel's raw readings come to; its mean is sum over
// count.
type aggregate struct {
	count, sum, min, max int64
	integral             int64 // Σ (rᵢ + rᵢ₊₁)·dt in counts and milliseconds: twice the area
}

// aggregateRow sums up a week of 40 channels from raw blocks on one core.
func aggregateRow(ctx context.Context, b *bench, columns []simulator.BenchColumn, chunks [][][]byte) (row, error) {
	s, err := store.Open(filepath.Join(b.dir, "aggregate"), store.Options{})
	if err != nil {
		return row{}, err
	}
	defer s.Close()
	group := &scan.Group{Device: "bench", Name: "1s", PeriodMS: 1000}
	wide := make([]simulator.BenchColumn, aggregateChannels)
	for i := range wide {
		wide[i] = columns[i%len(columns)]
		wide[i].Name = fmt.Sprintf("%s_%02d", wide[i].Name, i)
		group.Channels = append(group.Channels, scan.Channel{Device: "bench", Name: wide[i].Name, Kind: scan.KindInt, Scale: wide[i].Scale, Unit: "1"})
	}
	groups, err := s.Register([]*scan.Group{group})
	if err == nil {
		err = appendWeek(s, groups[0], wide, simulator.BenchStart(time.UTC).UnixMilli(), onTheSecond)
	}
	if closeErr := s.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		return row{}, err
	}
	if s, err = store.OpenReadOnly(filepath.Join(b.dir, "aggregate"), store.Options{}); err != nil {
		return row{}, err
	}
	defer s.Close()
	var sums []aggregate
	took, err := timed(aggregateReps, func() (err error) {
		if err := ctx.Err(); err != nil {
			return err
		}
		sums, err = sumUp(s, len(wide))
		return err
	})
	if err != nil {
		return row{}, err
	}
	for i := range wide {
		if want := sumOf(wide[i].Counts); sums[i] != want {
			return row{}, fmt.Errorf("channel %s comes to %+v, not %+v", wide[i].Name, sums[i], want)
		}
	}
	bare, err := bareUnpack(chunks)
	if err != nil {
		return row{}, err
	}
	samples := float64(len(wide) * simulator.BenchRows)
	return row{figure: "aggregate_raw", value: took, unit: "ms", goal: 2 * bare,
		reference: "bare zstd decoding", referenceValue: bare,
		note: fmt.Sprintf("min, max, mean, integral of %.1f million samples from raw blocks, one core: %.2f ns a sample; the reference only unpacks the plain codec's bytes of the same values (zstd at its best, an hour and column at a time) to varints and makes no values of them",
			samples/1e6, took*1e6/samples)}, nil
}

// bareUnpack is the time in milliseconds that zstd takes for the chunks of as
// many channels.
func bareUnpack(chunks [][][]byte) (float64, error) {
	p, err := newPlainCodec()
	if err != nil {
		return 0, err
	}
	defer p.close()
	return timed(aggregateReps, func() error {
		for i := range aggregateChannels {
			for _, chunk := range chunks[i%len(chunks)] {
				if err := p.unpack(chunk); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// sumUp sums all channels of the only group of a store.
func sumUp(s *store.Store, channels int) ([]aggregate, error) {
	sums := make([]aggregate, channels)
	last := make([]int64, channels)
	lastMS := int64(0)
	err := s.SealedColumns(func(c *store.Columns) error {
		stepMS := evenMS(c.MonoMS)
		for ch, values := range c.Values {
			a := &sums[ch]
			if len(values) == 0 {
				continue
			}
			if a.count == 0 {
				a.min, a.max = values[0], values[0]
			} else {
				a.integral += (last[ch] + values[0]) * (c.MonoMS[0] - lastMS)
			}
			a.add(values, c.MonoMS, stepMS)
			last[ch] = values[len(values)-1]
		}
		lastMS = c.MonoMS[len(c.MonoMS)-1]
		return nil
	})
	return sums, err
}

// evenMS is the time from each reading to the next if it is always the same,
// else 0.
func evenMS(monoMS []int64) int64 {
	if len(monoMS) < 2 {
		return 0
	}
	step := monoMS[1] - monoMS[0]
	for i, ms := range monoMS[1:] {
		if ms-monoMS[i] != step {
			return 0
		}
	}
	return step
}

// add takes values of which none is missing. Where they are stepMS apart, each
// but the two at the ends counts twice in the integral, and the sum says it.
func (a *aggregate) add(values, monoMS []int64, stepMS int64) {
	least, greatest, sum := a.min, a.max, int64(0)
	for _, v := range values {
		least, greatest = min(least, v), max(greatest, v)
		sum += v
	}
	a.min, a.max = least, greatest
	a.sum += sum
	a.count += int64(len(values))
	if stepMS != 0 {
		a.integral += (2*sum - values[0] - values[len(values)-1]) * stepMS
		return
	}
	integral, before, beforeMS := int64(0), values[0], monoMS[0]
	for i, v := range values {
		integral += (before + v) * (monoMS[i] - beforeMS)
		before, beforeMS = v, monoMS[i]
	}
	a.integral += integral
}

// sumOf is the same, plainly.
func sumOf(counts []int64) (a aggregate) {
	a = aggregate{min: counts[0], max: counts[0]}
	for i, v := range counts {
		a.count++
		a.sum += v
		a.min, a.max = min(a.min, v), max(a.max, v)
		if i > 0 {
			a.integral += (counts[i-1] + v) * 1000
		}
	}
	return a
}
