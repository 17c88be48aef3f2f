// Package hookup judges whether a machine's channels are connected rightly, and
// turns spot readings into a calibration.
//
// A Walk is a person beside the machine who lets it stand stopped, run
// unloaded, run loaded, and unloaded again. Each step is begun by the person
// (Begin); then scans are shown to the Walk (Observe) until it has 20 s of good
// readings of every channel that have settled, and the means of the steps are
// judged. A step in which the running or loaded bit changes is to be done
// again. Report tells at any time how far it is and, at the end, what is wrong
// by name, with the arithmetic it rests on.
//
// # What is inferred, and how
//
// V is the mean line voltage, S the meter's apparent power, P its active
// power, pf = P/S, φ the motor's true angle, I = S/(√3·V) the meter's current;
// r = I over the controller's motor current, where that comes from another
// device; q = P over the rated package power. All of the loaded step unless
// said. A meter adds three wattmeters, P = Σ Vk·Ik·cos(angle k), with the three
// phases taken as alike:
//
//   - One current transformer reversed: one of three terms turns its sign, P =
//     (1+1-1)/3 of the true power; S is as it was. A motor at 0.75-0.95 shows
//     pf = 0.25-0.32. Two reversed: the same with a minus sign. Three: -P.
//   - Two current transformers swapped (on each other's phase): P =
//     V·I·(cos φ + cos(φ+120°) + cos(φ-120°)) = 0 at every load; pf near 0.
//     All three shifted by one phase: pf = cos(φ±120°), negative or near 0.
//   - Wrong ratio: I, S and P are off by one factor, pf is right: r is that
//     factor. Where P fits the nameplate better as it is than divided by r, the
//     controller's current is named instead: as one leg of six, which is how
//     many packages are built, where it is 0.577 of the meter's.
//   - One leg of the six of a wye-delta motor: in delta the winding carries
//     1/√3 = 0.577 of the line current, 30° ahead or behind it. r = 0.577, and
//     pf = cos(φ-30°), near 1 loaded, or cos(φ+30°), near a half. (Wye-delta:
//     winding and line differ by √3, as in any text on motors.)
//   - A drive's output: its voltage follows its frequency. The mains do not
//     differ by a tenth between loaded and unloaded, nor vanish at standstill.
//   - Motor instead of the package: at standstill a package still draws
//     something for its controls, and running its fan makes the package's
//     current larger than the motor's. No power at all at standstill and
//     r < 1.02 is a hint, no more. Rated figures alone do not allow it: a fan
//     is a few percent, as is a difference of 10 psi in pressure.
//   - Loaded or running bit inverted: it is the contrary of what the person let
//     the machine do, in every step, and current or power side with the person.
//     If they side with the bit, the steps were mistaken for each other.
//   - Nothing moved: no bit says that it ran, and power, apparent power and
//     current stay below a fiftieth of the rated power in every step. Then
//     nothing else is named: each part would only be blamed for the machine's rest.
//   - Pressure: loaded it rises faster (falls slower) than unloaded. Only a
//     pressure that falls loaded and rises unloaded is called wrong.
//
// The bounds (pf 0.62-0.95 for a loaded motor, q 0.55-1.4, r within 1.2) are
// common practice, no source.
//
// # What cannot be told apart
//
//   - Without a second current (r unknown) a wrong ratio shows only against the
//     rated power, so only beyond 0.55-1.4, and a wrong rated power looks the
//     same.
//   - With power but neither apparent power nor power factor, one leg of six
//     cannot be told from a ratio of about a half.
//   - Ratios nearer to 1 than 1.2; a reversal and a wrong ratio at the same
//     time; which of the three transformers it is (a meter that shows power by
//     phase can tell: the reversed one is negative).
//   - Three reversed transformers from three shifted by one phase, at some loads.
//   - A meter behind a drive from one behind a contactor, at one speed only.
//   - Anything of the current transformers behind or before a drive whose input
//     is not near a motor's power factor.
//
// The package reads no line, keeps nothing on disk and knows no clock but the
// scans'. A Walk's methods may be called from several goroutines.
package hookup
