package remote

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// scans is a Source of numbered scans, each a sample of some series, that one can add
// to. A position is the number of the next scan.
type scans struct {
	mu     sync.Mutex
	series int
	scans  int
	kept   int // the first that retention has not dropped
	asked  int
	err    error
	// forgets is whether it cannot end a batch again where it ended before.
	forgets bool
}

const firstMS = 1_700_000_000_000

// at is what scan i gives: every series, but for some that rest now and then.
func (s *scans) at(i int) (all []Series) {
	for n := range s.series {
		if (i+n)%7 == 3 && n > 0 {
			continue
		}
		v := float64(i*1000 + n)
		if (i+n)%11 == 5 {
			v = math.Float64frombits(StaleBits)
		}
		all = append(all, Series{[]Label{{NameLabel, fmt.Sprintf("loadscribe_reading_%03d", n)}, {"site", "harrow-lane"}}, []Sample{{firstMS + int64(i)*1000, v}}})
	}
	return all
}

func (s *scans) add(n int) {
	s.mu.Lock()
	s.scans += n
	s.mu.Unlock()
}

func (s *scans) drop(before int) {
	s.mu.Lock()
	s.kept = before
	s.mu.Unlock()
}

// points are all that the source gives from the first scan on.
func (s *scans) points(from int) map[point]bool {
	all := map[point]bool{}
	for i := from; i < s.scans; i++ {
		for _, p := range pointsOf(s.at(i)) {
			all[p] = true
		}
	}
	return all
}

func (s *scans) Next(_ context.Context, after, until Position, most int) (b Batch, more bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked++
	if s.err != nil {
		return b, false, s.err
	}
	from, end := 0, s.scans
	if s.forgets {
		until = nil
	}
	for p, n := range map[*Position]*int{&after: &from, &until: &end} {
		if *p == nil {
			continue
		}
		if *n, err = strconv.Atoi(string(*p)); err != nil {
			return b, false, err
		}
	}
	if from < s.kept {
		b.Missed = int64(s.kept - from)
		from = s.kept
	}
	byName := map[string]int{}
	samples, i := 0, from
	for ; i < end && (samples < most || until != nil); i++ {
		for _, one := range s.at(i) {
			n, found := byName[nameOf(one.Labels)]
			if !found {
				n = len(b.Series)
				byName[nameOf(one.Labels)] = n
				b.Series = append(b.Series, Series{Labels: one.Labels})
			}
			b.Series[n].Samples = append(b.Series[n].Samples, one.Samples...)
			samples++
		}
	}
	slices.SortFunc(b.Series, func(x, y Series) int { return strings.Compare(nameOf(x.Labels), nameOf(y.Labels)) })
	if i > from || b.Missed > 0 {
		b.Next = Position(strconv.Itoa(max(i, from)))
	}
	return b, i < s.scans, nil
}
