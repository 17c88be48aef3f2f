// Package vectors reads the tables of published check values in testdata/vectors. For
// tests alone: it is in no binary.
package vectors
