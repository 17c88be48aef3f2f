// Package evidence is the arithmetic of the evidence log: hashes and proofs of
// a Merkle tree as in RFC 6962 section 2, and signed checkpoints of it.
//
// It knows nothing of a store: a leaf is bytes. Hashing, the order of stored
// hashes and the consistency proof are golang.org/x/mod/sumdb/tlog's, the
// signed note is golang.org/x/mod/sumdb/note's; what is our own is the proof of
// many leaves at once, and what stands in a checkpoint.
//
// A checkpoint that is kept elsewhere fixes every leaf before its size. A
// signature alone fixes nothing against whoever owns the machine, since the key
// lies there: it only says from which machine a checkpoint comes.
package evidence
