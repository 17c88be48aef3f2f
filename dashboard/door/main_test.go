package door

import (
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	goodPassword  = "mild winter evening"
	otherPassword = "screen by the door"
)

// clock is one that a test sets.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func newClock() *clock { return &clock{now: time.Date(2026, time.March, 3, 14, 0, 0, 0, time.UTC)} }

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// told keeps what a Door tells.
type told struct {
	mu    sync.Mutex
	texts []string
	all   []map[string]string
}

func (e *told) tell(text string, data map[string]string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.texts = append(e.texts, text)
	e.all = append(e.all, data)
}

func (e *told) actions() string {
	e.mu.Lock()
	defer e.mu.Unlock()
	var all []string
	for _, data := range e.all {
		all = append(all, data["action"])
	}
	return strings.Join(all, " ")
}

// openTest opens a Door in dir with R. Vale, who operates.
func openTest(t *testing.T, c *clock) (*Door, *told) {
	t.Helper()
	e := &told{}
	d := Open(Options{Dir: t.TempDir(), Now: c.Now, Tell: e.tell})
	if err := d.AddOrChange(t.Context(), "a test", "R. Vale", Operate, goodPassword); err != nil {
		t.Fatal(err)
	}
	return d, e
}

var (
	network1 = Origin{Address: "192.0.2.1"}
	network2 = Origin{Address: "192.0.2.2"}
	here     = Origin{Address: "127.0.0.1", Ours: true}
)

func mustSignIn(t *testing.T, d *Door, name, password string, from Origin) string {
	t.Helper()
	token, err := d.SignIn(t.Context(), name, password, from)
	if err != nil {
		t.Fatalf("%s from %s: %v", name, from.Address, err)
	}
	return token
}

func isField(err error, field string) bool {
	var f *FieldError
	return errors.As(err, &f) && f.Field == field
}

func isLimited(err error) bool {
	var l *LimitedError
	return errors.As(err, &l)
}
