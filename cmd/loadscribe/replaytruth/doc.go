// Package replaytruth holds replay against what would have happened. A Pair is a
// simulated plant with its present settings and one change. Play records the plant
// as it is, asks replay for the change from that record alone, runs the changed
// plant with the same people at the same times, and gives each figure of the answer
// beside its true value. Tests count how often an interval holds the truth, and how
// far the figures are off.
//
// What people ask for depends on the seed alone (a test of the simulator says so):
// what the changed plant took is what the same demand takes of it. How demand
// follows the pressure is not told to replay but where a pair says so.
//
// The truth comes from simulator.Truth alone, over the minutes that were replayed.
package replaytruth
