package align

import "errors"

// Why two records cannot be aligned. Each comes wrapped in a sentence with the
// numbers.
var (
	// ErrTooFew is returned where there are too few transitions to judge by, or
	// the two records do not overlap however the clocks are put.
	ErrTooFew = errors.New("too few common transitions")
	// ErrUnrelated is returned where no offset makes more of them meet than chance.
	ErrUnrelated = errors.New("the transitions do not meet")
	// ErrAmbiguous is returned where a second offset fits as well.
	ErrAmbiguous = errors.New("more than one offset fits")
	// ErrClockSet is returned where one stretch of the record meets and another
	// does not: a clock was set in between.
	ErrClockSet = errors.New("not one clock throughout")
)

// Edge is one transition.
type Edge struct {
	MS   int64   // Unix milliseconds, by the clock of its logger
	Rise bool    // the value goes up, or begins to
	Size float64 // of the change, positive, in the series' unit
}

// Prompt says which transitions the other logger shows at once, and so set the
// clock where rises and falls do not agree.
type Prompt int

const (
	Both  Prompt = iota // the middle between them
	Rises               // falls follow late
	Falls               // rises follow late: pressure, which turns up only when the sump is filled
)

// Options are for both functions; the zero value is what fits most records.
type Options struct {
	// Turns makes Edges look for turning points (of a pressure) in place of steps.
	Turns bool
	// LeastChange is the least step or swing that counts, in the series' unit; 0:
	// learnt from the series.
	LeastChange float64

	// PeriodMS is the sampling period of the slower logger; 0: one second.
	PeriodMS float64
	// SearchMS is how far the clocks may be apart; 0: 26 hours, which holds every
	// mistake of a time zone.
	SearchMS float64
	// DriftPPM is how much the one clock may run faster or slower than the other,
	// in millionths; 0: 200, which is 17 s a day.
	DriftPPM float64
	// HintMS is the offset as somebody knows it, WithinMS how well (0: two
	// minutes). Nothing outside is looked at.
	HintMS   *float64
	WithinMS float64
	// LagMS is how much later the other logger shows the same transition for
	// reasons that are not its clock.
	LagMS  float64
	Prompt Prompt
}

const (
	defaultPeriodMS = 1000
	defaultSearchMS = 26 * 3600_000
	defaultDriftPPM = 200
	defaultWithinMS = 120_000
)

func (o Options) filled() Options {
	if o.PeriodMS <= 0 {
		o.PeriodMS = defaultPeriodMS
	}
	if o.SearchMS <= 0 {
		o.SearchMS = defaultSearchMS
	}
	if o.DriftPPM <= 0 {
		o.DriftPPM = defaultDriftPPM
	}
	if o.WithinMS <= 0 {
		o.WithinMS = defaultWithinMS
	}
	return o
}

// reach is the offsets that are looked at, as reference less other.
func (o Options) reach() (lo, hi float64) {
	if o.HintMS != nil {
		seen := *o.HintMS - o.LagMS
		return seen - o.WithinMS, seen + o.WithinMS
	}
	return -o.SearchMS, o.SearchMS
}
