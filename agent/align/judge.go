package align

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

const (
	leastShare = 0.3 // of the transitions that must meet
	// leastProof is the least n·D of Hoeffding's bound e^(−n·D) on so many meetings
	// by chance: what was tried is some 10⁷ offsets and drifts, e¹⁶, and
	// transitions come in groups (a start is one rise after another), so that half
	// of n would be prudent.
	leastProof  = 40
	chanceMS    = 1800_000 // around the best offset, from which chance is learnt
	missesApart = 4        // standard deviations by which a second offset must miss more
	rivals      = 64
)

// judge is an error where the fit is no better than chance, holds for a part of the
// record only, or is no better than another fit within reach.
func judge(ref, oth list, f *fit, of int, at int64, o Options) error {
	met := len(f.pairs)
	lo, hi := o.reach()
	line := f.model
	s := newShifts(ref, oth, line, f.tolMS, lo-line.a, hi-line.a)
	chance := min(1, (s.usual()+0.1)/float64(of))
	share := float64(met) / float64(of)
	if share < leastShare || share <= chance || float64(of)*divergence(share, chance) < leastProof {
		return fmt.Errorf("%w: at the best offset, %s, %d of %d meet within %s, and chance would make it %.0f",
			ErrUnrelated, signed(line.a+o.LagMS), met, of, words(f.tolMS), chance*float64(of))
	}
	if err := oneClock(ref, oth, f, of, at); err != nil {
		return err
	}
	guard := 3*f.tolMS + o.PeriodMS
	for _, r := range s.rivals(guard, lo-line.a, hi-line.a, met) {
		ofThen := overlap(ref, oth, line, r.shift)
		if ofThen < leastEdges {
			continue
		}
		missed := float64(max(0, ofThen-r.met))
		would := float64(of-met) * float64(ofThen) / float64(of)
		if missed-would < missesApart*math.Sqrt(missed+would+1) {
			return fmt.Errorf("%w: with %s %d of %d transitions meet, and with %s %d of %d; a pattern that repeats itself fits again and again. Say what the offset is to some seconds, or take a longer record, with a start or a stop in it",
				ErrAmbiguous, signed(line.a+o.LagMS), met, of, signed(line.a+o.LagMS+r.shift), min(r.met, ofThen), ofThen)
		}
	}
	return nil
}

// divergence is that of two shares, in nats: how strange the share p would be
// where q is expected.
func divergence(p, q float64) float64 {
	d := p * math.Log(p/q)
	if p < 1 {
		d += float64((1 - p) * math.Log((1-p)/(1-q)))
	}
	return d
}

// shifts counts how many transitions would meet if the other's corrected clock were
// moved on.
type shifts struct {
	first, bin float64
	sum        []int // of the bins before
	tol        float64
}

// rival is another offset.
type rival struct {
	shift float64
	met   int
}

// newShifts looks from lo to hi and at least around 0.
func newShifts(ref, oth list, m model, tol, lo, hi float64) *shifts {
	lo, hi = min(lo, -chanceMS), max(hi, chanceMS)
	s := &shifts{first: lo - tol, bin: tol / 2, tol: tol}
	counts := make([]int, int((hi-lo+2*tol)/s.bin)+2)
	step := thinning(ref, oth, lo+m.a, hi+m.a)
	for dir := range oth.of {
		moved := make([]float64, len(oth.of[dir]))
		for i, x := range oth.of[dir] {
			moved[i] = m.at(x) + sign(dir)*m.h
		}
		eachNear(ref.of[dir], moved, step, lo-tol, hi+tol, func(_, d float64) {
			counts[int((d-s.first)/s.bin)] += step
		})
	}
	s.sum = make([]int, len(counts)+1)
	for i, n := range counts {
		s.sum[i+1] = s.sum[i] + n
	}
	return s
}

// width is how many bins the tolerance either side takes.
const width = 4

// at is how many meet with the window that begins at bin j, and its shift.
func (s *shifts) at(j int) rival {
	return rival{s.first + float64(j+width/2)*s.bin, s.sum[j+width] - s.sum[j]}
}

// usual is how many meet by chance near the best offset.
func (s *shifts) usual() float64 {
	n, met := 0, 0
	for j := 0; j+width < len(s.sum); j++ {
		r := s.at(j)
		if off := math.Abs(r.shift); off > 3*s.tol && off < chanceMS {
			n++
			met += r.met
		}
	}
	return float64(met) / float64(max(n, 1))
}

// rivals are the offsets beside the best with which at least half as many meet,
// the most first.
func (s *shifts) rivals(guard, lo, hi float64, met int) []rival {
	var all []rival
	for j := 0; j+width < len(s.sum); j++ {
		if r := s.at(j); r.met >= max(leastEdges, met/2) && math.Abs(r.shift) > guard && r.shift >= lo && r.shift <= hi {
			all = append(all, r)
		}
	}
	slices.SortStableFunc(all, func(a, b rival) int { return cmp.Compare(b.met, a.met) })
	return all[:min(len(all), rivals)]
}

// score is what the meetings say for a fit: how many, by how much closer they lie
// than transitions do.
func (f *fit) score(ref list) float64 {
	spacing := (ref.last() - ref.first()) / float64(len(ref.all))
	return float64(float64(len(f.pairs)) * math.Log(max(math.E, spacing/f.tolMS)))
}

func (f *fit) alignment(of int, at int64, o Options) Alignment {
	a := Alignment{OffsetMS: f.a + o.LagMS, DriftPPM: f.b * 1e6, AtMS: at, Matched: len(f.pairs), Of: of,
		RisesLaterMS: -2 * f.h}
	n, beside := f.used[0]+f.used[1], 0.0
	switch {
	case o.Prompt == Rises && f.seH > 0:
		a.OffsetMS += f.h
		n = f.used[1]
	case o.Prompt == Falls && f.seH > 0:
		a.OffsetMS -= f.h
		n = f.used[0]
	case math.Abs(f.h) > 3*f.seH:
		beside = math.Abs(f.h) // which of them is right is not known
	}
	far, lo, hi := 0.0, math.Inf(1), math.Inf(-1)
	for _, p := range f.pairs {
		a.ResidualMS = max(a.ResidualMS, math.Abs(f.residual(p)))
		lo, hi = min(lo, p.x), max(hi, p.x)
	}
	far = max(hi-f.meanX, f.meanX-lo)
	turn := f.seB * far
	a.UncertaintyMS = 2*math.Sqrt(f.sigma*f.sigma/float64(n)+turn*turn) + beside
	return a
}
