package remote

// Reasons of State.Refused.
const (
	ReasonOutOfOrder = "out_of_order" // older than what the receiver has of the series
	ReasonDuplicate  = "duplicate"    // the receiver has another value of that time
	ReasonTooOld     = "too_old"      // older than the receiver takes at all
	ReasonTooLarge   = "too_large"    // 413, however small the request
	ReasonOther      = "other"        // as its reply says
)

// State is how it stands with one receiver. Counts are of samples where no other
// thing is named; counts and times outlast a restart, but for what the last seconds
// before a kill added.
type State struct {
	Name string
	To   string // the address without path and query, which may hold a secret
	// Samples is what the receiver took, There what a resend found there already,
	// Refused by reason what it will never take. Together they are what left the
	// Source, resends counted again.
	Samples, There int64
	Refused        map[string]int64
	// SetAside is how many of the refused were written to the file Aside, which is
	// bounded: the oldest of very many are gone.
	SetAside int64
	Aside    string // path; empty: there is none yet
	// Requests were made, Bytes of payload sent with them, Retried of them because
	// the one before had no answer that settles it.
	Requests, Bytes, Retried int64
	// Missed are scans that retention dropped before they could be sent.
	Missed int64
	// FailingSinceMS is when what is due stopped going out, by the wall clock; 0: it
	// goes. Why is what is wrong in words, Held whether a person must mend it.
	FailingSinceMS int64
	Why            string
	Held           bool
	// OldestUnsentMS is the time of the oldest sample that is known to wait; 0: none.
	OldestUnsentMS int64
	// LastSampleMS is the newest time that was delivered, LastDeliveredMS when a
	// receiver last took something, by the wall clock.
	LastSampleMS, LastDeliveredMS int64
	// CursorFault is why the cursor is not on the disk: a restart would send again
	// what was delivered since. Empty: it is.
	CursorFault string
	// Note is what a start found that a person should know: a damaged cursor.
	Note string
}
