package scan

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

// The time since the computer's start is the kernel's own: proc_uptime(5), from
// memory, counts the same seconds.
func TestBootOfTheSystemClock(t *testing.T) {
	clock := NewSystemClock()
	text, err := os.ReadFile("/proc/uptime")
	if err != nil {
		t.Fatal(err) // every Linux has it
	}
	mono, _ := clock.Now()
	up, err := strconv.ParseFloat(strings.Fields(string(text))[0], 64)
	if err != nil {
		t.Fatal(err)
	}
	id, began, ok := clock.Boot()
	if d := began + mono - int64(up*1000); !ok || len(id) != 36 || d < -2000 || d > 2000 {
		t.Errorf("start %q, ok %v, began %d ms after it; the kernel says it is %g s ago", id, ok, began, up)
	}
}
