// Command bench measures what the project promises in numbers: it prints a
// table for people and writes the same figures as tab-separated values.
//
//	go run ./cmd/bench [-section poll|store|codecs|figures|serial|agent] [-out bench.tsv]
//
// Columns are figure, value, unit, goal, reference, reference_value; the names
// in the first are stable. A reference is another program's result on the same
// work in the same run, where there is one; goals are limits. DEVELOPERS.md
// says what each figure means. Nothing here passes or fails: figures are for
// reading, and depend on the machine and on what else it does.
//
// The agent's figures are those of the real binary, built and started by this
// program; that and the go command are all it runs. It asks nothing outside
// this computer.
package main
