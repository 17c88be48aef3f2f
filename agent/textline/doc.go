// Package textline talks to controllers that speak plain text: they answer a
// short question with a line of characters, or print lines by themselves.
//
// A Format says how one text is cut out of the stream of bytes and where its
// Checksum stands. A Pattern is a regular expression (RE2, so that its time
// grows only with the length of the text) whose named groups become raw values
// by their Forms. An Ask is a question with the Format and the Pattern of its
// answer. A Client owns an open port or connection and does one of two things:
//
//	text, err := client.Ask(ctx, ask, time.Second)    // sends, waits for what matches
//	heard, err := client.Hear(ctx, format, until)     // sends nothing, ever
//
// # What counts as an answer
//
// A text counts only if its checksum fits and the pattern matches all of it.
// Anything else (noise, a torn text, another print) is stepped over while the
// time lasts; the Ask then fails with what came: ErrBadChecksum, ErrWrongAnswer
// or, where nothing whole came, ErrTimeout. Every byte is one character, by
// ISO 8859-1: \xB0 in a pattern is the byte B0. CR, LF and NUL around a text do
// not belong to it. No text is longer than 4096 bytes; what runs on is dropped
// up to its end and counted.
//
// # Echo
//
// A terminal line often sends back what it gets. With EchoOn what equals the
// bytes sent, at the start of what comes, is taken out. With EchoAuto the rest
// behind such an echo is tried first, then all of it, and the pattern decides:
// an answer may begin with the words of its question. A whole text that equals
// the question is never an answer, but with EchoOff.
//
// # Late answers
//
// Text carries nothing that ties an answer to its question. After a question
// without an answer the Client asks nothing before max(the timeout, 1.5 times
// the worst lateness seen, at most 10 s) after its deadline; a text that comes
// in that time and fits is known as late, learnt from, and ends the wait. The
// first answer after such a loss is held back until nothing that fits has
// followed for 50 ms or the slowest reply so far, and the last one counts: a
// device that was held up answers its questions in a row. The bound: an answer
// later than all that, whose successor does not follow, is taken for the new
// one. Its numbers are then real but old.
//
// # Caveats
//
// Without a checksum a lost or changed digit cannot be told from a right one:
// only the pattern's exact number of digits and the channel's valid range stand
// in its way. A Client is for one goroutine.
//
// Not here: schedules, retries, opening ports, files, scales and units.
package textline
