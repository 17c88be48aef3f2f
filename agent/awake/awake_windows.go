package awake

import (
	"context"
	"fmt"
	"runtime"

	"golang.org/x/sys/windows"
)

// Flags of SetThreadExecutionState (winbase.h).
const (
	systemRequired = 0x00000001
	continuous     = 0x80000000
)

var setThreadExecutionState = windows.NewLazySystemDLL("kernel32.dll").NewProc("SetThreadExecutionState")

// holder asks the system not to fall asleep by itself. The request is the thread's, so
// that the goroutine keeps its thread until release, which it must call itself.
type holder struct {
	lost  chan struct{} // never told: the request stays
	asked bool
	held  bool
	err   error
}

func (h *holder) take(context.Context, string) request {
	if !h.held {
		runtime.LockOSThread()
		h.asked, h.err = true, execution(continuous|systemRequired)
		if h.held = h.err == nil; !h.held {
			runtime.UnlockOSThread()
		}
	}
	return request{h.asked, h.err}
}

func (h *holder) release() {
	// A thread that ends takes its request along; this one goes on.
	if h.held && execution(continuous) == nil {
		runtime.UnlockOSThread()
	}
}

// execution fails where the system answers with no earlier state.
func execution(flags uintptr) error {
	if err := setThreadExecutionState.Find(); err != nil {
		return fmt.Errorf("ask Windows to stay awake: %w", err)
	}
	if before, _, err := setThreadExecutionState.Call(flags); before == 0 {
		return fmt.Errorf("ask Windows to stay awake: %w", err)
	}
	return nil
}

func look(_ string, r request) State { return windowsState(r) }
