// Package peers finds the independent programs that tests hold loadscribe against.
// Where one is missing the test is a visible skip; under LOADSCRIBE_PEERS=require, as
// in .ci/run, it fails. For tests alone: it is in no binary.
package peers
