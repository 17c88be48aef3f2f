// Package replay asks of a recorded week what other settings or machines would
// have done with the same demand for air. It takes the demand and what is known of
// the machines from analysis, plays both through package engine with the present
// settings first, and says how well that meets what was measured; then each
// alternative, with the saving and its interval. Search finds the best settings
// within limits.
package replay
