// Package align finds what one logger's clock is off against another's, from
// transitions that both have seen: a machine that loads shows as a step of power
// in one record, as a bit in another, as the turn of a pressure in a third.
//
// [Edges] finds the transitions of a series, [Match] the one offset and drift
// that make two lists of them meet, or an error that says why there is none.
// [Alignment.Correct] is the correction, [Alignment.Describe] the sentence.
//
// How it is done. Every transition of the one list votes, with every transition
// of the same direction in the other, for the offset that would make the two the
// same moment; votes are kept by stretches of time so short that no allowed drift
// blurs them, and are summed along each drift. The highest peaks are followed to
// pairs of transitions, the pairs to a line: medians first (a slope of far pairs,
// as Theil and Sen do), then least squares without what lies beyond 3.5 scaled
// median deviations. Missing and extra transitions do not pair and cost nothing
// but votes.
//
// When there is none. The share that meets must be far from what chance would
// give by the density of transitions around (the bound of Hoeffding 1963, from
// memory, with room for everything that was tried), and no second offset may miss
// as few transitions as the best: a strictly periodic duty fits again after each
// period, and says nothing about the clock ([ErrAmbiguous]) unless a hint tells
// which period. A clock that was set in the middle of the record is no one clock
// ([ErrClockSet]).
//
// What it cannot tell. A constant delay looks like an offset. Pressure and flow
// follow power by seconds; a meter that averages shows a step later. If the delay
// is known, give it as Options.LagMS; if not, the offset contains it. Only the
// difference between the delays of rises and of falls shows
// (Alignment.RisesLaterMS), and Options.Prompt names the ones that come at once.
//
// The package is a leaf; it starts nothing, keeps nothing and gives the same for
// the same lists.
package align
