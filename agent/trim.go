package agent

import (
	"context"
	"runtime/debug"
	"time"
)

const (
	// trimFirst is when what the start took is given back: it reads the record's end.
	trimFirst = 10 * time.Second
	// trimEvery bounds how long memory is held that a seal, a report or a long window
	// took. The collector alone keeps twice what is in use, and gives the rest back
	// minutes later; a collection more costs some ten milliseconds.
	trimEvery = 30 * time.Minute
)

// trim gives memory back to the system until ctx ends.
func (a *Agent) trim(ctx context.Context) error {
	for pause := trimFirst; wait(ctx, pause); pause = trimEvery {
		a.store.Trim()
		debug.FreeOSMemory()
	}
	return nil
}
