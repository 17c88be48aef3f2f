package outward

import (
	"context"
	"time"
)

// Wait waits for the first of the three, and reports whether ctx goes on. woken may be nil.
func Wait(ctx context.Context, woken <-chan struct{}, most time.Duration) bool {
	timer := time.NewTimer(most)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-woken:
	case <-timer.C:
	}
	return ctx.Err() == nil
}
