package serve

import (
	"testing"
	_ "time/tzdata"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }
