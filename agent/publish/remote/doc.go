// Package remote sends samples to a receiver of Prometheus remote write 1.0: the
// half that knows the wire, the receiver's answers and the cursor. What is sent
// comes from a Source, which reads the store; the store is the queue.
//
// A Sender has one receiver. It asks its Source for a Batch after a Position,
// sends it, and goes on from Batch.Next once the receiver has taken it or refused
// it for good. One request is under way at a time, and the samples of a series go
// out in their order. The Position lies on the disk in the cursor file, so that
// what is stored is delivered at least once: a batch whose answer was lost, or that
// was under way when the program ended, is sent again, the same samples with the
// same stamps, of which the receiver has one.
//
// What an answer means (State.Why has it in words):
//
//	2xx                         taken
//	no answer, 5xx, 408, 425,   tried again, after 1 s and then twice as long each
//	429                         time to 5 min, or as Retry-After says, an hour at most
//	3xx, 401, 403, 404, 405,    a fault of the set-up: held, nothing is lost, tried
//	407, 410, 411, 415, TLS     again after 1 min, then up to 10 min. A redirect is
//	                            never followed
//	any other 4xx               refused: the batch is split until what the receiver
//	                            minds is alone; that is counted, set aside in a file
//	                            that a person can read, and the rest goes on. Where
//	                            everything is refused, or what was taken a moment ago,
//	                            it is held as a fault, and what was refused meanwhile
//	                            is sent once more
//	400 with "out of order",    on a resend: it is there already, and counts so; else
//	"duplicate"                 refused, with that for a reason
//	400 with "too old"          refused, on a resend too: it says nothing of what is there
//
// The specification lets a sender drop what a 4xx refuses. Set-up faults are held
// all the same: a wrong token is mended by a person, and the store still has it all.
//
// Secrets (token, password, given headers) are read from their files at each use.
// They are in no error, log, state or file, and neither are the path and query of
// the URL.
//
// Caveats: a receiver that refuses everything and is mended just while the samples of
// a series are tried singly may find the oldest three of that one series too late; they
// are set aside. Where it begins and ends that between two requests of a search, the
// series searched just then may be set aside for the one batch. A process that was ended
// within a search sets aside rather than guess, so that a receiver may have some of what
// is set aside; but where the disk took no cursor just then, a sample that was refused
// may count as there, and so may a sample of a series that another sender writes, which is
// refused in the words of a resend. A receiver that takes a part of a request and refuses the
// rest may have some of what is set aside. A receiver that keeps strict order takes nothing older than about an
// hour behind its newest sample unless it is told to (Prometheus:
// out_of_order_time_window). A disk that hangs holds up the sending of its Sender.
// Non-goals: receiving, remote write 2.0, histograms, exemplars and metadata.
package remote
