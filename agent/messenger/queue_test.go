package messenger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/outward"
)

// TestPowerCuts cuts the power after each step that the queue does to the disk:
// what Send has called safe and nobody has taken is there afterwards, in order,
// and nothing else is but what was taken just before.
func TestPowerCuts(t *testing.T) {
	for steps := range 60 {
		dir := t.TempDir()
		disk := &cutFiles{steps: steps}
		synctest.Test(t, func(t *testing.T) {
			f := &fakeTarget{name: "dispatch"}
			m := mustOpen(t, dir, Options{files: disk}, f)
			safe := map[string]bool{}
			for i := range 3 {
				safe[fmt.Sprint("before-", i)] = m.Send(nil, message(fmt.Sprint("before-", i))) == nil
			}
			stop := running(m)
			synctest.Wait()
			stop()
			for i := range 3 {
				safe[fmt.Sprint("after-", i)] = m.Send(nil, message(fmt.Sprint("after-", i))) == nil
			}
			disk.cut()
			took := f.ids()

			again := &fakeTarget{name: "dispatch"}
			m = mustOpen(t, dir, Options{}, again)
			if n := m.State()[0].GivenUp; n != 0 {
				t.Errorf("%d steps: %d damaged files", steps, n)
			}
			stop = running(m)
			synctest.Wait()
			stop()
			got := again.ids()
			order := func(id string) int {
				return slices.Index([]string{"before-0", "before-1", "before-2", "after-0", "after-1", "after-2"}, id)
			}
			if !slices.IsSortedFunc(got, func(a, b string) int { return order(a) - order(b) }) {
				t.Errorf("%d steps: out of order: %v", steps, got)
			}
			for id, ok := range safe {
				if ok && !slices.Contains(took, id) && !slices.Contains(got, id) {
					t.Errorf("%d steps: %s was safe and is lost; taken before %v, after %v", steps, id, took, got)
				}
			}
			if left := lettersIn(t, dir); len(left) != 0 {
				t.Errorf("%d steps: %v is left on the disk", steps, left)
			}
		})
	}
}

// lettersIn are the files of waiting messages below dir.
func lettersIn(t *testing.T, dir string) []string {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(dir, "to-*", "*"+letterEnding+"*"))
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// TestFullDisk: messages wait in memory, go out all the same, and are written
// when there is room again.
func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		disk := &fullDisk{full: true}
		f := &fakeTarget{name: "dispatch"}
		away := &fakeTarget{name: "mail", answer: func(int, *Message) error { return errors.New("no route") }}
		m := mustOpen(t, dir, Options{files: disk}, f, away)
		stop := running(m)
		if err := m.Send(nil, message("a")); !errors.Is(err, ErrNotSafe) || !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("send on a full disk: %v", err)
		}
		if err := m.Send([]string{"mail"}, message("a")); !errors.Is(err, ErrNotSafe) {
			t.Errorf("the same again: %v", err)
		}
		time.Sleep(10 * time.Minute)
		if got := f.ids(); !slices.Equal(got, []string{"a"}) {
			t.Errorf("the target has %v", got)
		}
		if s := m.State()[1]; s.Waiting != 1 || s.InMemory != 1 {
			t.Errorf("%+v", s)
		}
		disk.set(false)
		time.Sleep(2 * tidyEvery)
		if s := m.State()[1]; s.InMemory != 0 {
			t.Errorf("with room again %+v", s)
		}
		stop()
		again := mustOpen(t, dir, Options{}, f, away)
		if a, b := again.State()[0].Waiting, again.State()[1].Waiting; a != 0 || b != 1 {
			t.Errorf("after a restart %d and %d wait, want 0 and 1", a, b)
		}
	})
}

// TestHangingDisk: a disk that hangs holds up Send, not the sending; and what left
// before it was written does not come back after a restart.
func TestHangingDisk(t *testing.T) {
	dir := t.TempDir()
	disk := &hangingDisk{free: make(chan struct{})}
	a, b := &fakeTarget{name: "dispatch"}, &fakeTarget{name: "mail"}
	m := mustOpen(t, dir, Options{files: disk}, a, b)
	stop := running(m)
	sent := make(chan error)
	for n, id := range []string{"1", "2"} {
		go func() { sent <- m.Send(nil, message(id)) }()
		for len(a.ids()) <= n || len(b.ids()) <= n { // else the test's own time is over
			time.Sleep(time.Millisecond)
		}
	}
	if err := m.Post(nil, message("posted")); err != nil {
		t.Errorf("post: %v", err)
	}
	for len(a.ids()) <= 2 || len(b.ids()) <= 2 {
		time.Sleep(time.Millisecond)
	}
	close(disk.free)
	for range 2 {
		if err := <-sent; err != nil {
			t.Errorf("send: %v", err)
		}
	}
	stop()
	if left := lettersIn(t, dir); len(left) > 0 {
		t.Errorf("%v would be sent again", left)
	}

	q := mustOpen(t, dir, Options{}, a).lanes[0].queue
	w, _ := q.add(message("3"), time.Now())
	q.done(w)
	q.tidy()
	if err := q.keep(w); err != nil {
		t.Errorf("keep: %v", err)
	}
	if left := lettersIn(t, dir); len(left) > 0 {
		t.Errorf("what left first: %v would be sent again", left)
	}
}

// TestStopBesideAWrite: a message leaves while the disk hangs in writing it, and the
// program stops meanwhile; or it leaves as the last of the stop. It does not come again.
func TestStopBesideAWrite(t *testing.T) {
	for _, name := range []string{"the disk hangs", "the target answers late"} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				disk, answer := &hangingDisk{free: make(chan struct{})}, make(chan struct{})
				f := &fakeTarget{name: "dispatch", answer: func(int, *Message) error { <-answer; return nil }}
				m := mustOpen(t, dir, Options{files: disk}, f)
				ctx, cancel := context.WithCancel(t.Context())
				ended := make(chan error)
				go func() { ended <- m.Run(ctx) }()
				if err := m.Post(nil, message("1")); err != nil {
					t.Fatal(err)
				}
				synctest.Wait() // it is being written, and sent
				first, then := answer, disk.free
				if name == "the target answers late" {
					first, then = disk.free, answer
				}
				close(first)
				synctest.Wait()
				cancel()
				synctest.Wait()
				close(then)
				if err := <-ended; err != nil {
					t.Error(err)
				}
				if got := f.ids(); !slices.Equal(got, []string{"1"}) {
					t.Fatalf("the target has %v", got)
				}
			})
			if left := lettersIn(t, dir); len(left) > 0 {
				t.Errorf("%v would be sent again", left)
			}
		})
	}
}

// TestPost: what is posted gets to the disk by itself, also at the very end, and goes
// out on a disk that takes nothing.
func TestPost(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		disk := &fullDisk{}
		f := &fakeTarget{name: "dispatch", answer: func(_ int, m *Message) error {
			if m.ID == "full" {
				return nil
			}
			return errors.New("no route")
		}}
		m := mustOpen(t, dir, Options{files: disk}, f)
		if err := m.Post([]string{"dispatch", "despatch"}, message("full")); !errors.Is(err, ErrNoTarget) {
			t.Errorf("posted to an unknown target: %v", err)
		}
		disk.set(true)
		stop := running(m)
		synctest.Wait()
		if got := f.ids(); !slices.Equal(got, []string{"full"}) {
			t.Errorf("on a full disk %v went out", got)
		}
		disk.set(false)
		if err := m.Post(nil, message("a")); err != nil {
			t.Error(err)
		}
		synctest.Wait()
		if s := m.State()[0]; s.Waiting != 1 || s.InMemory != 0 || len(lettersIn(t, dir)) != 1 {
			t.Errorf("posted: %+v", s)
		}
		if err := m.Post(nil, message("b")); err != nil {
			t.Error(err)
		}
		stop()
		if again := mustOpen(t, dir, Options{}, f); again.State()[0].Waiting != 2 {
			t.Errorf("after a stop %+v", again.State()[0])
		}
	})
}

// TestReadOnlyStart: a folder that cannot be made holds nothing up.
func TestReadOnlyStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		file := filepath.Join(t.TempDir(), "a file")
		if err := os.WriteFile(file, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		f := &fakeTarget{name: "dispatch"}
		m := mustOpen(t, filepath.Join(file, "messages"), Options{}, f)
		if err := m.Send(nil, message("a")); !errors.Is(err, ErrNotSafe) {
			t.Errorf("send: %v", err)
		}
		stop := running(m)
		synctest.Wait()
		stop()
		if got := f.ids(); len(got) != 1 {
			t.Errorf("got %v", got)
		}
	})
}

// TestDamaged flips each bit of a waiting file, cuts it at each byte, and lengthens
// it: it is set aside, told and counted, and the others go out.
func TestDamaged(t *testing.T) {
	dir := t.TempDir()
	f := &fakeTarget{name: "dispatch"}
	m := mustOpen(t, dir, Options{}, f)
	send(t, m, "a")
	send(t, m, "b")
	path := lettersIn(t, dir)[0]
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for bit := range len(whole) * 8 {
		wrong := slices.Clone(whole)
		wrong[bit/8] ^= 1 << (bit % 8)
		if _, err := decodeLetter(wrong); !errors.Is(err, errDamaged) {
			t.Fatalf("bit %d flipped: %v", bit, err)
		}
	}
	for i := range len(whole) {
		if _, err := decodeLetter(whole[:i]); !errors.Is(err, errDamaged) {
			t.Fatalf("cut at %d: %v", i, err)
		}
	}
	for _, wrong := range [][]byte{nil, bytes.Repeat([]byte("x"), mostLetter+1), append(slices.Clone(whole), 'x')} {
		if err := os.WriteFile(path, wrong, 0o600); err != nil {
			t.Fatal(err)
		}
		m = mustOpen(t, dir, Options{}, f)
		if s := m.State()[0]; s.Waiting != 1 || s.GivenUp != 1 {
			t.Errorf("%d bytes: %+v", len(wrong), s)
		}
		aside, err := os.ReadFile(filepath.Join(dir, damagedDir, "to-dispatch-"+filepath.Base(path)))
		if err != nil || !bytes.Equal(aside, wrong) {
			t.Errorf("set aside: %d bytes, %v", len(aside), err)
		}
	}
}

// TestClockSteps: a wall clock that was wrong when a message was queued, or is so
// now, neither throws it away at once nor makes it early.
func TestClockSteps(t *testing.T) {
	for name, step := range map[string]time.Duration{"queued in 1970": 56 * 365 * 24 * time.Hour, "queued in the future": -365 * 24 * time.Hour, "away for two days": 48 * time.Hour} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				f := &fakeTarget{name: "dispatch", answer: func(int, *Message) error { return errors.New("no route") }}
				m := mustOpen(t, dir, Options{}, f)
				send(t, m, "a")
				q := &queue{dir: m.lanes[0].queue.dir, files: outward.Disk{}, log: m.lanes[0].log}
				now := time.Now().Add(step)
				q.load(now)
				w, _ := q.head(time.Now())
				if w == nil {
					t.Fatal("the message is gone")
				}
				if got, want := w.late(now), max(0, step); got != want {
					t.Errorf("late %v, want %v", got, want)
				}
				if got, least := w.remains(now), leastTries; got < least || got > MostAge {
					t.Errorf("tried for %v more", got)
				}
			})
		})
	}
}

// TestOrphans: what waits for a target that is no longer set up stays, and goes
// out when it comes back.
func TestOrphans(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		send(t, mustOpen(t, dir, Options{}, &fakeTarget{name: "dispatch"}), "a")
		if m := mustOpen(t, dir, Options{}, &fakeTarget{name: "mail"}); m.State()[0].Waiting != 0 {
			t.Error("it waits for another target")
		}
		f := &fakeTarget{name: "dispatch"}
		stop := running(mustOpen(t, dir, Options{}, f))
		synctest.Wait()
		stop()
		if got := f.ids(); len(got) != 1 {
			t.Errorf("got %v", got)
		}
	})
}
