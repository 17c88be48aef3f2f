package replay

import (
	"errors"
	"fmt"
)

// ErrFault is in the error of a replay that met a fault of this program: it ends the
// replay, not the agent that records beside it.
var ErrFault = errors.New("a fault of the program")

// guarded does f; a panic in it becomes an error with what was played.
func guarded(what string, f func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("replay %s: %w: %v", what, ErrFault, r)
		}
	}()
	return f()
}
