package agent

import (
	"context"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// start runs a part in a goroutine and returns what ends it and waits for it.
func start(ctx context.Context, failed chan error, run func(context.Context) error) (stop func()) {
	p := parts{failed: failed}
	r := p.start(ctx, part{run: run})
	return func() {
		r.cancel()
		<-r.done
	}
}
