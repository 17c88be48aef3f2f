package awake

import (
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

// hold asks the system not to fall asleep by itself. The request is the thread's, so
// that the goroutine keeps its thread until release, which it must call itself.
func hold() (release func(), asked bool, err error) {
	runtime.LockOSThread()
	if err := execution(continuous | systemRequired); err != nil {
		runtime.UnlockOSThread()
		return func() {}, true, err
	}
	return func() {
		// A thread that ends takes its request along; this one goes on.
		if execution(continuous) == nil {
			runtime.UnlockOSThread()
		}
	}, true, nil
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

func look(r request) State { return windowsState(r) }
