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
//     refused it is a matter of time, and slices of it are sent, the oldest first;
//   - for any other reason the series are halved, level by level, then the samples of
//     a refused series, the oldest first, until four samples in a row were refused
//     alone and none was taken: then it is the series.
//
// No sample goes out before an older one of its series is settled. The number of
// requests is bounded (two for each series and for each sample of a series that takes
// some of its samples, and as many again for those that were refused while it took
// nothing), and so is their rate, after the first few. Where the receiver
// refuses whatever it gets, by no reason of time, the batch is not split further: it
// is held, for the fault is then in the set-up, and the store still has everything.
type settling struct {
	s     *Sender
	ctx   context.Context
	known known // of the whole batch

	requests int
	took     int // requests of which the samples are there now
	untimely bool
	queue    []part
	refusals []refusal
	suspects [][]Label // series that were refused whole
	takes    bool      // the receiver has taken something of this batch
	doubts   []Series  // were refused before that
}

// known is what is known of samples that are sent. It decides what a refusal for
// reasons of time means.
type known int

const (
	fresh       known = iota // never sent before
	perhapsSent              // an earlier process may have sent some of them
	splitBefore              // an earlier process was splitting them: any part may be there
	sentBefore               // sent just so, and the answer was lost: all is there, or nothing
)

// part is a refused part of a batch that can be split.
type part struct {
	series []Series
	answer answer
}

// Bounds of splitting.
const (
	freeRequests = 64          // of a batch, before they are slowed down
	slowEvery    = time.Second // and then one in so long
	mostUntaken  = 128         // requests that were all refused, after which everything is
	slicesOfTime = 8           // of a part that is refused for its times
	aloneRefused = 4           // samples of a series refused alone, after which it is the series
)

// batch sends a batch. The answer is what everything was refused with, or nil; done is
// false where ctx ended.
func (r *settling) batch(b *Batch) (everything *answer, done bool) {
	known, rest := r.s.suspects.among(b.Series, time.Now())
	if len(known) > 0 {
		r.s.splits()
	}
	if len(rest) > 0 {
		if !r.sendSome(rest) {
			return nil, false
		}
		for everything = r.refusesAll(); everything == nil && len(r.queue) > 0; everything = r.refusesAll() {
			if !r.splitNext() {
				return nil, false
			}
		}
	}
	if everything != nil {
		return everything, true
	}
	return nil, r.again() && (len(known) == 0 || r.suspected(known))
}

// doubt takes back what was refused while the receiver took nothing: it may have
// refused whatever it got, and have been mended since.
func (r *settling) doubt() {
	sure := r.refusals[:0]
	for _, one := range r.refusals {
		if ofTime(one.answer.reason) {
			sure = append(sure, one)
		} else {
			r.doubts = append(r.doubts, one.series...)
		}
	}
	r.refusals, r.suspects = sure, nil
}

// again sends what is in doubt once more. Of a series of which the receiver took
// something newer meanwhile it may not take it, and says so.
func (r *settling) again() bool {
	if len(r.doubts) == 0 {
		return true
	}
	before := r.known
	defer func() { r.known = before }()
	r.known = fresh // it was refused, so none of it is there
	if !r.sendSome(joined(r.doubts)) {
		return false
	}
	for len(r.queue) > 0 {
		if !r.splitNext() {
			return false
		}
	}
	return true
}

// splitNext splits the first part of the queue.
func (r *settling) splitNext() bool {
	next := r.queue[0]
	r.queue = r.queue[1:]
	return r.split(next)
}

// inOrder reports whether the batch was taken without a doubt about what is there
// already.
func (r *settling) inOrder() bool { return r.took > 0 && !r.untimely && r.known <= perhapsSent }

// refusesAll is the answer that everything gets so far, where nothing else is left to
// try or enough was; nil: it does not refuse all.
func (r *settling) refusesAll() *answer {
	if r.took > 0 || len(r.queue) == 0 && len(r.refusals) == 0 || len(r.queue) > 0 && r.requests < mostUntaken {
		return nil
	}
	var last answer
	for _, refused := range r.refusals {
		if ofTime(refused.answer.reason) {
			return nil // it may well be right about these
		}
		last = refused.answer
	}
	for _, p := range r.queue {
		last = p.answer
	}
	last.verdict = held
	last.said = fmt.Sprintf("it refuses all that it is sent, whole and in parts: %s", last.said)
	return &last
}

// put sends some series until they are taken or refused, and says what was known of
// them in the end. ok is false where ctx ended.
func (r *settling) put(series []Series) (a answer, k known, ok bool) {
	if r.requests >= freeRequests && !outward.Wait(r.ctx, nil, slowEvery) {
		return a, r.known, false
	}
	if r.requests == 1 { // for the next process, if this one ends within the batch
		r.s.splits()
	}
	body := payload(series)
	r.requests++
	k = r.known
	for failures := 1; ; failures++ {
		r.s.asked(len(body), failures > 1)
		a = r.s.poster.post(r.ctx, body)
		switch {
		case a.verdict == taken:
			r.took++
			if !r.takes {
				r.takes = true
				r.doubt()
			}
			r.s.tookSome(count(series))
			r.s.recovered()
			return a, k, true
		case r.ctx.Err() != nil:
			return a, k, false
		case a.verdict == refused:
			if a.reason == ReasonTooLarge {
				r.s.most = max(leastMost, min(r.s.most, count(series)/2))
			}
			r.untimely = r.untimely || ofTime(a.reason)
			return a, k, true
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
func (r *settling) sendSome(series []Series) bool {
	a, k, ok := r.put(series)
	switch {
	case !ok || a.verdict == taken:
		return ok
	case ofTime(a.reason):
		return r.amongSeries(series, a, k)
	default:
		r.queue = append(r.queue, part{series, a})
		return true
	}
}

// split halves what was refused for another reason than time.
func (r *settling) split(p part) bool {
	if n := len(p.series); n > 1 {
		return r.sendSome(p.series[:n/2]) && r.sendSome(p.series[n/2:])
	}
	one := bisection{r: r, series: p.series[0]}
	if !one.split(p.series[0].Samples, p.answer) {
		return false
	}
	if !one.took {
		r.suspects = append(r.suspects, p.series[0].Labels)
	}
	return true
}

// amongSeries looks for the series that are refused for their times, in quarters.
func (r *settling) amongSeries(series []Series, a answer, k known) bool {
	if len(series) == 1 {
		return r.inTime(series, a, k)
	}
	quarters := slices.Collect(slices.Chunk(series, (len(series)+3)/4))
	late := 0
	answers, of := make([]answer, len(quarters)), make([]known, len(quarters))
	for i, quarter := range quarters {
		var ok bool
		if answers[i], of[i], ok = r.put(quarter); !ok {
			return false
		}
		if answers[i].verdict == refused && ofTime(answers[i].reason) {
			late++
		}
	}
	if late == len(quarters) && k != splitBefore {
		return r.inTime(series, a, k)
	}
	for i, quarter := range quarters {
		switch {
		case answers[i].verdict == taken:
		case !ofTime(answers[i].reason):
			r.queue = append(r.queue, part{quarter, answers[i]})
		case !r.amongSeries(quarter, answers[i], max(k, of[i])):
			return false
		}
	}
	return true
}

// inTime sends series that are all refused for their times in slices of time, the
// oldest first. "Too old" says nothing of what is there: the receiver goes by the newest
// sample of any series, and what was sent before may never have come.
func (r *settling) inTime(series []Series, a answer, k known) bool {
	if k == sentBefore && a.reason != ReasonTooOld { // what is refused now was taken then
		r.there(series)
		return true
	}
	parts := inSlices(series, slicesOfTime)
	var last []Series // refused, and perhaps there in part
	for _, one := range parts {
		got, ok := a, true
		if len(parts) > 1 {
			got, _, ok = r.put(one)
		}
		switch {
		case !ok:
			return false
		case got.verdict == taken:
			if last != nil { // it holds the end of what is there, and what nobody can send any more
				r.refusals = append(r.refusals, refusal{last, a})
			}
			last = nil
			continue
		case !ofTime(got.reason):
			if !r.atOnce(part{one, got}) {
				return false
			}
			continue
		}
		if last != nil {
			r.there(last)
			last = nil
		}
		switch {
		case k == fresh, got.reason == ReasonTooOld:
			r.refusals = append(r.refusals, refusal{one, got})
		case k == sentBefore, ofOneTime(one):
			r.there(one)
		default:
			last = one
		}
	}
	if last != nil {
		r.there(last)
	}
	return true
}

// atOnce settles a part before anything else is sent.
func (r *settling) atOnce(p part) bool {
	waiting := r.queue
	r.queue = []part{p}
	for len(r.queue) > 0 {
		if !r.splitNext() {
			return false
		}
	}
	r.queue = waiting
	return true
}

// there notes that some series are with the receiver already.
func (r *settling) there(series []Series) {
	r.took++
	r.s.foundThere(count(series))
}

// suspected sends what was refused an hour ago or less, once, and does not split it.
func (r *settling) suspected(series []Series) bool {
	a, k, ok := r.put(series)
	switch {
	case !ok:
		return false
	case a.verdict == taken:
		for _, s := range series {
			r.s.suspects.remove(s.Labels)
		}
	case ofTime(a.reason):
		if !r.amongSeries(series, a, k) {
			return false
		}
		for _, p := range r.queue { // refused for another reason in the end
			r.refusals = append(r.refusals, refusal(p))
		}
		r.queue = nil
	default:
		r.refusals = append(r.refusals, refusal{series, a})
	}
	return true
}

// bisection looks for what a receiver minds in one series.
type bisection struct {
	r      *settling
	series Series
	took   bool
	alone  int // samples that were refused alone
}

// split halves samples that were refused, the older half first.
func (b *bisection) split(samples []Sample, a answer) bool {
	if len(samples) == 1 {
		b.alone++
		b.r.refusals = append(b.r.refusals, refusal{[]Series{{b.series.Labels, samples}}, a})
		return true
	}
	middle := len(samples) / 2
	for _, half := range [][]Sample{samples[:middle], samples[middle:]} {
		if !b.took && b.alone >= aloneRefused {
			b.r.refusals = append(b.r.refusals, refusal{[]Series{{b.series.Labels, half}}, a})
			continue
		}
		part := []Series{{b.series.Labels, half}}
		got, k, ok := b.r.put(part)
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
			if !b.split(half, got) {
				return false
			}
		}
	}
	return true
}
