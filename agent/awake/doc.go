// Package awake keeps the computer that records from falling asleep, where the
// system lets a program ask for it, and says whether it may: a computer asleep
// reads nothing, and what the machine did meanwhile is a gap.
//
// On Windows a Keeper asks the system to stay awake for as long as it runs
// (SetThreadExecutionState). On Linux it takes a lock of systemd's login manager against
// sleep and idleness over the system's message bus, and takes it again when the bus or the
// manager is started anew; it also reads whether systemd's sleep is switched off, and what
// idleness and the lid are set to do. Elsewhere it knows nothing and says so. No program
// is started and no setting is changed.
package awake
