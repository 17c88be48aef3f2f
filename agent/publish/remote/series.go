package remote

import "context"

// Label is one of the names and values that tell a series from others.
type Label struct{ Name, Value string }

// NameLabel is the label that holds the metric's name.
const NameLabel = "__name__"

// Sample is a value at a time.
type Sample struct {
	TimeMS int64 // wall clock, Unix
	Value  float64
}

// StaleBits are the bits of the value that ends a series: a gap begins. It is kept
// bit by bit, for it is one NaN of many.
const StaleBits uint64 = 0x7ff0000000000002

// Series are samples of one set of labels.
type Series struct {
	Labels  []Label  // sorted by name (NameLabel among them), none twice, no empty name or value
	Samples []Sample // by rising time, no time twice
}

// Position is where a Source is, of the Source's own making; nil is the beginning.
// It lies in the cursor file, at most MostPosition bytes.
type Position []byte

// MostPosition is the most bytes of a Position.
const MostPosition = 1 << 20

// Batch is what a Source gives at once. The Sender does not change it.
type Batch struct {
	Series []Series // each set of labels once; may be empty where only Next went on
	Next   Position // where the Source is after it; nil: as before
	Missed int64    // scans after the position asked for that retention dropped; told with the Next that is past them
}

// Source reads what is to be sent. A Sender calls it from one goroutine.
type Source interface {
	// Next gives what follows a position, up to about most samples: what belongs
	// together is not torn, so that there may be a few more. more is whether
	// more waits that could be given at once. Where nothing is new the batch is empty.
	//
	// The same position gives the same samples every time, though more may follow
	// them by then. until, where it is not nil, is the Next of a batch that was given
	// for the same position before, perhaps by an earlier process, and may have been
	// delivered: the batch is to end there again, whatever most says. A Source that
	// cannot, because retention has dropped it, say, gives what it can.
	Next(ctx context.Context, after, until Position, most int) (b Batch, more bool, err error)
}
