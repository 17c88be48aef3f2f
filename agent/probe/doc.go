// Package probe is for a person beside a machine with a cable and little
// documentation: it finds what answers on a line and what its registers mean.
//
// The parts, in the order they are used:
//
//   - Ports: the serial ports of this computer and what the system knows of them;
//   - Listen, Eavesdrop: hear whether somebody else is master here, sending
//     nothing; with traffic on the line nobody must ask;
//   - NewPlan, Sweep: try serial settings and unit ids, the likely first and
//     those a person names before all, within a bound known beforehand;
//   - Explore, Watch: read a register range around its holes, show every
//     plausible reading, and say which values move and how;
//   - Name, MapText, WriteMap: what the person recognises, as a register map
//     that a site file can name;
//   - Measure: how the line behaves, a timeout for it and what to look at.
//
// Nothing here prints or prompts: the command and the page do. Only reads are
// sent (functions 1 to 4 and 2B/0E).
//
// What cannot be told from a line: 8N1 from 8N2 where both sides take either;
// the unit of a value; whether a value that stood still would move later.
//
// Not here: recording, schedules, plain-text controllers beyond saying that the
// line carries text.
package probe
