package messenger

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// killChildEnv makes this test program the process that TestKill kills: "DIR FIRST".
const killChildEnv = "LOADSCRIBE_MESSENGER_KILL"

// fileTarget writes what it takes to a file; what stands there has been delivered.
type fileTarget struct{ path string }

func (*fileTarget) Name() string { return "dispatch" }
func (*fileTarget) Kind() string { return "file" }
func (*fileTarget) To() string   { return "a file" }
func (f *fileTarget) Deliver(_ context.Context, m *Message, _ time.Duration) (string, error) {
	out, err := os.OpenFile(f.path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return "", err
	}
	defer out.Close()
	_, err = fmt.Fprintln(out, m.ID)
	return "", err
}

// killChild queues numbered messages without end and prints each that is safe.
func killChild() {
	var dir string
	var first int
	if _, err := fmt.Sscan(os.Getenv(killChildEnv), &dir, &first); err != nil {
		panic(err)
	}
	m, err := Open(dir+"/messages", []Target{&fileTarget{dir + "/delivered"}}, Options{})
	if err != nil {
		panic(err)
	}
	go m.Run(context.Background())
	for i := first; ; i++ {
		if err := m.Send(nil, Message{ID: fmt.Sprint(i), Kind: KindRaised, AtMS: int64(i)}); err != nil {
			panic(err)
		}
		fmt.Println(i)
	}
}

// TestKill kills the process (SIGKILL) again and again while it queues and
// delivers. What it called safe arrives, in order, and no message comes more than
// once for each kill. LOADSCRIBE_LONG: 300 kills in place of 12.
func TestKill(t *testing.T) {
	kills := 12
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		kills = 300
	}
	dir, next := t.TempDir(), 1
	for range kills {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s %d", killChildEnv, dir, next))
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewReader(out)
		if _, err := fmt.Fscan(lines, &next); err != nil { // it is at work
			t.Fatal(err)
		}
		timer := time.AfterFunc(time.Duration(rand.IntN(60))*time.Millisecond, func() { cmd.Process.Kill() })
		rest, err := io.ReadAll(lines)
		if err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // killed, as it was meant to be
		timer.Stop()
		whole := strings.Fields(string(rest[:strings.LastIndexByte(string(rest), '\n')+1]))
		if len(whole) > 0 {
			if _, err := fmt.Sscan(whole[len(whole)-1], &next); err != nil {
				t.Fatal(err)
			}
		}
		next++ // one more may be safe without having been printed: it has this number, too
	}
	delivered := drained(t, dir)
	times, highest := map[int]int{}, 0
	for _, n := range delivered {
		if times[n]++; times[n] == 1 {
			if n != highest+1 {
				t.Fatalf("%d comes after %d", n, highest)
			}
			highest = n
		}
		if times[n] > kills+1 {
			t.Fatalf("%d was delivered %d times", n, times[n])
		}
	}
	if highest < next-1 {
		t.Errorf("%d were safe, %d arrived", next-1, highest)
	}
	t.Logf("%d kills: %d messages safe, %d deliveries", kills, next-1, len(delivered))
}

// drained delivers what is left and returns all that was ever delivered, in order.
func drained(t *testing.T, dir string) (numbers []int) {
	t.Helper()
	m := mustOpen(t, dir+"/messages", Options{}, &fileTarget{dir + "/delivered"})
	if s := m.State()[0]; s.GivenUp != 0 {
		t.Errorf("%d damaged", s.GivenUp)
	}
	stop := running(m)
	for m.State()[0].Waiting > 0 {
		time.Sleep(time.Millisecond)
	}
	stop()
	data, err := os.ReadFile(dir + "/delivered")
	if err != nil {
		t.Fatal(err)
	}
	for word := range strings.FieldsSeq(string(data)) {
		n := 0
		if _, err := fmt.Sscan(word, &n); err != nil {
			t.Fatal(err)
		}
		numbers = append(numbers, n)
	}
	return numbers
}
