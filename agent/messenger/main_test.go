package messenger

import (
	"context"
	"encoding/base64"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if os.Getenv(killChildEnv) != "" {
		killChild()
		return
	}
	goleak.VerifyTestMain(m)
}

// fakeTarget takes messages as answer says; nil: all.
type fakeTarget struct {
	name   string
	answer func(attempt int, m *Message) error

	mu       sync.Mutex
	attempts int
	took     []Message
	lates    []time.Duration
	times    []time.Time // of the attempts
}

func (f *fakeTarget) Name() string { return f.name }
func (f *fakeTarget) Kind() string { return "fake" }
func (f *fakeTarget) To() string   { return "to " + f.name }

func (f *fakeTarget) Deliver(_ context.Context, m *Message, late time.Duration) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.attempts++
	f.times = append(f.times, time.Now())
	if f.answer != nil {
		if err := f.answer(f.attempts, m); err != nil {
			return "", err
		}
	}
	f.took, f.lates = append(f.took, *m), append(f.lates, late)
	return "taken", nil
}

func (f *fakeTarget) ids() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	var ids []string
	for _, m := range f.took {
		ids = append(ids, m.ID)
	}
	return ids
}

func (f *fakeTarget) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.attempts
}

// meaning is what the messenger makes of Deliver's error.
func meaning(err error) string {
	var held *Held
	var refused *Refused
	var later *Later
	var partly *Partly
	switch {
	case err == nil:
		return "taken"
	case errors.As(err, &held):
		return "held"
	case errors.As(err, &refused):
		return "refused"
	case errors.As(err, &later):
		return "later"
	case errors.As(err, &partly):
		return "partly"
	}
	return "retry"
}

func mustOpen(t *testing.T, dir string, o Options, targets ...Target) *Messenger {
	t.Helper()
	m, err := Open(dir, targets, o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// running runs a messenger until the returned function is called.
func running(m *Messenger) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- m.Run(ctx) }()
	return func() {
		cancel()
		<-done
	}
}

func send(t *testing.T, m *Messenger, id string) {
	t.Helper()
	if err := m.Send(nil, message(id)); err != nil {
		t.Fatalf("send %s: %v", id, err)
	}
}

func message(id string) Message {
	return Message{ID: id, Kind: KindRaised, AtMS: time.Now().UnixMilli(), Site: "Harrow Lane Joinery", Subject: "air end hot: comp1", Text: "discharge temperature is 108 °C, limit 105 °C"}
}

// secretFile writes a signing secret and returns its path.
func secretFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

var goodSecret = secretPrefix + base64.StdEncoding.EncodeToString([]byte("0123456789abcdefghijklmn"))
