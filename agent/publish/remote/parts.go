package remote

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// count is how many samples some series have.
func count(all []Series) (n int) {
	for _, s := range all {
		n += len(s.Samples)
	}
	return n
}

// span is the oldest and the newest time of a batch that has samples.
func (b *Batch) span() (oldest, newest int64) {
	oldest, newest = b.Series[0].Samples[0].TimeMS, b.Series[0].Samples[0].TimeMS
	for _, s := range b.Series {
		oldest = min(oldest, s.Samples[0].TimeMS)
		newest = max(newest, s.Samples[len(s.Samples)-1].TimeMS)
	}
	return oldest, newest
}

// check says what of the contract of a Batch does not hold: what a receiver would
// refuse, or take wrongly.
func (b *Batch) check() error {
	if len(b.Next) > MostPosition {
		return fmt.Errorf("a position of %d bytes", len(b.Next))
	}
	if len(b.Series) > 0 && b.Next == nil {
		return errors.New("samples without a position")
	}
	seen := map[string]bool{}
	for _, s := range b.Series {
		for i, l := range s.Labels {
			if l.Name == "" || l.Value == "" || i > 0 && s.Labels[i-1].Name >= l.Name {
				return fmt.Errorf("labels %q are empty, unsorted or repeated", s.Labels)
			}
		}
		key := keyOf(s.Labels)
		if len(s.Labels) == 0 || seen[key] {
			return fmt.Errorf("the series %q is there twice, or has no labels", s.Labels)
		}
		seen[key] = true
		if len(s.Samples) == 0 {
			return fmt.Errorf("the series %q has no samples", s.Labels)
		}
		for i, v := range s.Samples[1:] {
			if v.TimeMS <= s.Samples[i].TimeMS {
				return fmt.Errorf("the samples of %q do not rise in time", s.Labels)
			}
		}
	}
	return nil
}

// keyOf tells sets of labels apart.
func keyOf(labels []Label) string {
	var b strings.Builder
	for _, l := range labels {
		fmt.Fprintf(&b, "%d:%s%d:%s", len(l.Name), l.Name, len(l.Value), l.Value)
	}
	return b.String()
}

// inSlices cuts series into at most n parts of whole times, rising, and the last two
// times alone: a receiver that refuses the last but one has it all, but may well take
// the last a second time, as Prometheus does.
func inSlices(all []Series, n int) (parts [][]Series) {
	var times []int64
	for _, s := range all {
		for _, v := range s.Samples {
			times = append(times, v.TimeMS)
		}
	}
	slices.Sort(times)
	times = slices.Compact(times)
	ends := max(len(times)-2, 0)
	for some := range slices.Chunk(times[:ends], max(1, (ends+n-1)/n)) {
		parts = append(parts, between(all, some[0], some[len(some)-1]))
	}
	for _, ms := range times[ends:] {
		parts = append(parts, between(all, ms, ms))
	}
	return parts
}

// ofOneTime reports whether all samples have one time.
func ofOneTime(all []Series) bool {
	b := Batch{Series: all}
	oldest, newest := b.span()
	return oldest == newest
}

// between are the samples from first to last, both with them.
func between(all []Series, first, last int64) (part []Series) {
	rising := func(v Sample, ms int64) int { return cmp.Compare(v.TimeMS, ms) }
	for _, s := range all {
		from, _ := slices.BinarySearchFunc(s.Samples, first, rising)
		to, _ := slices.BinarySearchFunc(s.Samples, last+1, rising)
		if from < to {
			part = append(part, Series{s.Labels, s.Samples[from:to]})
		}
	}
	return part
}

// suspects are series that the receiver refused whole, by keyOf, and when. They are
// sent apart from the others and not split, so that they cost one request a batch;
// after suspectTime they are sent as any other.
type suspects map[string]time.Time

const (
	suspectTime  = time.Hour
	mostSuspects = 1024
)

func (s suspects) add(all [][]Label, now time.Time) {
	for _, labels := range all {
		if len(s) < mostSuspects {
			s[keyOf(labels)] = now
		}
	}
}

func (s suspects) remove(labels []Label) { delete(s, keyOf(labels)) }

// among divides series into suspects and the rest, and forgets what is old.
func (s suspects) among(all []Series, now time.Time) (known, rest []Series) {
	for key, since := range s {
		if now.Sub(since) >= suspectTime {
			delete(s, key)
		}
	}
	if len(s) == 0 {
		return nil, all
	}
	for _, one := range all {
		if _, found := s[keyOf(one.Labels)]; found {
			known = append(known, one)
		} else {
			rest = append(rest, one)
		}
	}
	return known, rest
}
