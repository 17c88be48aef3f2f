// Package guided leads a person through tests at a plant: how much leaks while
// nobody uses air (leak), and what a machine really delivers, by the time that a
// known volume takes to fill (pump-up).
//
// A Session is one such test. It is a pure state machine: it is fed with
// readings, knows no clock but theirs, starts nothing and writes nothing. After
// each reading its Report says what the person must do now, how far it is, what
// it needs still, what it has found so far, and, where it was given up, why.
// Every valve and button is the person's: nothing here reaches a machine.
//
// A Session is not safe for concurrent use; who feeds it holds a lock.
package guided
