package service

import "time"

// restartAfterS are the waits of Windows before it starts a service anew that has failed
// once, twice, and each further time (SERVICE_FAILURE_ACTIONS, winsvc.h: the last is repeated).
var restartAfterS = [...]uint32{5, 30, 300}

// restarts are the same as durations.
func restarts() []time.Duration {
	all := make([]time.Duration, len(restartAfterS))
	for i, s := range restartAfterS {
		all[i] = time.Duration(s) * time.Second
	}
	return all
}
