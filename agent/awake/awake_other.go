//go:build !linux && !windows

package awake

import "context"

// holder asks nothing here.
type holder struct{ lost chan struct{} }

func (*holder) take(context.Context, string) request { return request{} }

func (*holder) release() {}

func look(string, request) State {
	return State{Sleep: Unknown, Why: "loadscribe cannot read whether this system falls asleep.",
		Mend: "Switch off sleep in its energy settings for as long as it records."}
}
