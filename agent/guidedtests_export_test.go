package agent

import (
	"context"

	"loadscribe/agent/scan"
)

// Take does with scans, one after the other, what write and show do with them
// while Run runs, and then keeps the events that wait.
func (a *Agent) Take(batch []scan.Scan) error {
	for i := range batch {
		if err := a.store.Append(batch[i : i+1]); err != nil {
			return err
		}
		a.observeTests(&batch[i])
	}
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	return a.keepEvents(ended)
}
