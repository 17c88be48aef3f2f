package agent

import (
	"context"
	"fmt"
	"time"

	"loadscribe/agent/awake"
	"loadscribe/agent/store"
)

// sleeper is a clock that knows how long the computer has slept.
type sleeper interface{ SleptMS() int64 }

// leastSleepMS is a sleep worth telling; less is the difference between two
// readings of the clocks.
const leastSleepMS = 1000

// noteSleep makes an event of a sleep of the computer since the last call. It
// is for the goroutine of show.
func (a *Agent) noteSleep() {
	clock, ok := a.clock.(sleeper)
	if !ok {
		return
	}
	slept := clock.SleptMS()
	if d := slept - a.sleptMS; d >= leastSleepMS {
		a.sleptMS = slept
		lasted := (time.Duration(d) * time.Millisecond).Round(time.Second)
		a.log.Warn("the computer slept", "for", lasted)
		a.queueEvent(store.Event{Kind: "computer_slept", Text: fmt.Sprintf(
			"the computer slept for %v: nothing was read meanwhile; switch its sleep off while it records", lasted),
			Data: map[string]string{"slept_ms": fmt.Sprint(d)}})
	}
}

// Awake is whether the computer may fall asleep while the agent records.
func (a *Agent) Awake() AwakeState {
	s := a.awake.State()
	return AwakeState{Sleep: string(s.Sleep), How: s.How, Why: s.Why, Mend: s.Mend}
}

// warnOfSleep logs that the computer is set to fall asleep.
func (a *Agent) warnOfSleep(s awake.State) {
	if s.Sleep == awake.May {
		a.log.Warn("this computer may fall asleep while it records: "+s.Why, "mend", s.Mend)
	}
}

const (
	// relabelLook is how often it is looked whether the clock has been set.
	relabelLook = time.Second
	// relabelRetry is the longest wait after a new fold that failed: of a long
	// record it costs minutes.
	relabelRetry = 10 * time.Minute
)

// relabel puts summaries, and with them figures, to their true time once the
// clock is set: the store knows then how wrong the labels before were.
func (a *Agent) relabel(ctx context.Context) error {
	var trouble store.Trouble
	for pause := relabelLook; wait(ctx, pause); {
		pause = relabelLook
		if !a.store.LabelsMoved() {
			continue
		}
		a.levelsMu.Lock()
		err := a.foldAnew(ctx, a.store.Relabel)
		a.levelsMu.Unlock()
		mono, _ := a.clock.Now()
		switch {
		case err == nil:
			trouble.Over(a.log, mono, "figures from before the clock was set are at their true time")
		case ctx.Err() == nil:
			trouble.Failed(a.log, mono, "figures from before the clock was set are not at their true time yet", "err", err)
			pause = min(relabelLook<<min(trouble.Failures(), 10), relabelRetry)
		}
	}
	return nil
}
