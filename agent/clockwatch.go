package agent

import (
	"fmt"
	"time"

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
