package remote

import (
	"context"
	"fmt"
	"slices"
	"time"

	"loadscribe/agent/outward"
)

// settling is what becomes of one batch. A batch that is refused is split until what
// the receiver minds is alone:
//
//   - a reason of time ("out of order") is looked for among the series first, in
//     quarters: a series that another sender writes is found so. Where every quarter is
//     refused, and some single series too, it is a matter of time, and slices of it are
//     sent, the oldest first;
//   - for any other reason the series are halved, level by level, then the samples of
//     a refused series, the oldest first, until four samples in a row were refused
//     alone and none was taken: then it is the series. That is final if the receiver
//     works: see doubt.go.
//
// No sample goes out before an older one of its series is settled. The number of
// requests is bounded (two for each series and for each sample of a series that takes
// some of its samples, a check for each series, and as many again for those that were
// refused while nothing was taken), and so is their rate, after the first few. Where
// the receiver refuses whatever it gets, by no reason of time, the batch is not split
// further: it is held, for the fault is then in the set-up, and the store still has
// everything.
type settling struct {
	s     *Sender
	ctx   context.Context
	batch *Batch
	known known  // of the whole batch
	holes []hole // an earlier process left

	requests int
	sent     int  // of them that the receiver took
	took     int  // requests of which the samples are there now
	untimely bool // some were refused for their times
	unclear  int  // requests that may have been taken without an answer
	leaps    bool // such a one may be newer than what was refused alone
	queue    []part
	refusals []refusal // for good
	works    bool      // the receiver has taken something of this batch, or minded its times
	since    []part    // refused alone since it last did
	blind    int       // what was refused up to this request may be refused for nothing
	doubts   []part    // refused alone up to then
}

// known is what is known of samples that are sent. It decides what a refusal for
// reasons of time means.
type known int

const (
	torn        known = iota // were refused, and a newer one of the series may be there
	fresh                    // never sent before
	perhapsSent              // an earlier process may have sent some of them
	splitBefore              // an earlier process was splitting them: any part may be there
	sentBefore               // sent just so, and the answer was lost: all is there, or nothing
)

// part is a refused part of a batch.
type part struct {
	series []Series
	answer answer
	known  known
}

// Bounds of splitting.
const (
	freeRequests = 64          // of a batch, before they are slowed down
	slowEvery    = time.Second // and then one in so long
	mostUntaken  = 128         // requests that were all refused, after which everything is
	seriesTried  = 8           // of those that are all refused for their times
	slicesOfTime = 8           // of a part that is refused for its times
	aloneRefused = 4           // samples of a series refused alone, after which it is the series
)

// settle sends the batch. The answer is what everything was refused with, or nil; done
// is false where ctx ended.
func (r *settling) settle() (everything *answer, done bool) {
	known, rest := r.s.suspects.among(r.batch.Series, time.Now())
	if len(known) > 0 {
		r.s.splits()
	}
	if len(r.holes) > mostHoles {
		r.holes, r.known = nil, torn
	}
	left, others := inHoles(rest, r.holes)
	if len(left) > 0 && !(r.sendSome(left, torn) && r.drain()) || len(others) > 0 && !r.sendSome(others, r.known) {
		return nil, false
	}
	for everything = r.refusesAll(); everything == nil && len(r.queue) > 0; everything = r.refusesAll() {
		if !r.splitNext() {
			return nil, false
		}
	}
	if everything != nil {
		return everything, true
	}
	if len(known) > 0 && !r.suspected(known) || !r.again() {
		return nil, false
	}
	r.s.suspects.add(r.refusedWhole(rest), time.Now())
	return nil, true
}

// splitNext splits the first part of the queue.
func (r *settling) splitNext() bool {
	next := r.queue[0]
	r.queue = r.queue[1:]
	return r.split(next)
}

// drain splits all that is in the queue.
func (r *settling) drain() bool {
	for len(r.queue) > 0 {
		if !r.splitNext() {
			return false
		}
	}
	return true
}

// inOrder reports whether the batch was taken without a doubt about what is there
// already.
func (r *settling) inOrder() bool { return r.took > 0 && !r.untimely && r.known <= perhapsSent }

// refusesAll is the answer that everything gets so far, where nothing else is left to
// try or enough was; nil: it does not refuse all.
func (r *settling) refusesAll() *answer {
	if r.took > 0 || len(r.queue) == 0 && len(r.since) == 0 || len(r.queue) > 0 && r.requests < mostUntaken {
		return nil
	}
	if len(r.refusals) > 0 { // for their times, and it may well be right about these
		return nil
	}
	var last answer
	for _, p := range slices.Concat(r.since, r.queue) {
		last = p.answer
	}
	last.verdict = held
	last.said = fmt.Sprintf("it refuses all that it is sent, whole and in parts: %s", last.said)
	return &last
}

// put sends some series until they are taken or refused, and says what was known of
// them in the end. ok is false where ctx ended.
func (r *settling) put(series []Series, before known) (a answer, k known, ok bool) {
	a, k, ok = r.try(series, before)
	if ok && a.verdict == taken {
		r.sent++
		r.took++
		r.s.tookSome(series)
		r.tries(series)
		ok = r.minds()
	}
	return a, k, ok
}

// try is put without counting the samples.
func (r *settling) try(series []Series, before known) (a answer, k known, ok bool) {
	k = before
	if r.requests >= freeRequests && !outward.Wait(r.ctx, nil, slowEvery) {
		return a, k, false
	}
	if r.requests == 1 { // for the next process, if this one ends within the batch
		r.s.splits()
	}
	body := payload(series)
	r.requests++
	for failures := 1; ; failures++ {
		r.s.asked(len(body), failures > 1)
		a = r.s.poster.post(r.ctx, body)
		switch {
		case a.verdict == taken:
			r.judged()
			r.s.recovered()
			return a, k, true
		case r.ctx.Err() != nil:
			return a, k, false
		case a.verdict == refused:
			a.request = r.requests
			if a.reason == ReasonTooLarge {
				r.s.most = max(leastMost, min(r.s.most, count(series)/2))
			}
			if ofTime(a.reason) {
				r.untimely = true
				r.judged()
			}
			return a, k, true
		}
		if a.unclear {
			r.unclear++
			r.leaps = r.leaps || len(r.since) > 0
		}
		if a.unclear && k == fresh {
			k = sentBefore
		}
		if !r.s.failed(r.ctx, a, failures) {
			return a, k, false
		}
	}
}

// sendSome sends some series, and puts them into the queue where they are refused.
func (r *settling) sendSome(series []Series, before known) bool {
	a, k, ok := r.put(series, before)
	switch {
	case !ok || a.verdict == taken:
		return ok
	case ofTime(a.reason):
		return r.amongSeries(series, a, k)
	default:
		r.queue = append(r.queue, part{series, a, k})
		return true
	}
}

// split halves what was refused for another reason than time.
func (r *settling) split(p part) bool {
	if n := len(p.series); n > 1 {
		return r.sendSome(p.series[:n/2], p.known) && r.sendSome(p.series[n/2:], p.known)
	}
	return r.one(p)
}

// atOnce settles a part before anything else is sent.
func (r *settling) atOnce(p part) bool {
	waiting := r.queue
	r.queue = []part{p}
	done := r.drain()
	r.queue = waiting
	return done
}

// bisection looks for what a receiver minds in one series.
type bisection struct {
	r      *settling
	series Series
	took   bool
	alone  int // samples that were refused alone
}

// split halves samples that were refused, the older half first.
func (b *bisection) split(samples []Sample, a answer, k known) bool {
	if len(samples) == 1 {
		b.alone++
		b.refuse(samples, a, k)
		b.r.s.leaves([]Series{{b.series.Labels, samples}}) // before anything newer goes out
		return true
	}
	middle := len(samples) / 2
	for _, half := range [][]Sample{samples[:middle], samples[middle:]} {
		if !b.took && b.alone >= aloneRefused {
			b.refuse(half, a, k)
			continue
		}
		part := []Series{{b.series.Labels, half}}
		got, k, ok := b.r.put(part, k)
		switch {
		case !ok:
			return false
		case got.verdict == taken:
			b.took = true
		case ofTime(got.reason):
			b.took = true // so that it is not the series itself
			if !b.r.inTime(part, got, k) {
				return false
			}
		default:
			if !b.split(half, got, k) {
				return false
			}
		}
	}
	return true
}

func (b *bisection) refuse(samples []Sample, a answer, k known) {
	b.r.since = append(b.r.since, part{[]Series{{b.series.Labels, samples}}, a, k})
}
