package peers

import (
	"os"
	"os/exec"
	"testing"
)

// Path is where an independent program lies; the test ends where it is not installed.
func Path(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		Missing(t, "independent peer %s is not installed (see .ci/peers)", name)
	}
	return path
}

// Missing ends the test: something that it needs is not there.
func Missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv("LOADSCRIBE_PEERS") == "require" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}
