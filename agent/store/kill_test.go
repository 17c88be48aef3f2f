package store

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

const (
	childEnv  = "LOADSCRIBE_STORE_CHILD"
	childScan = 20 // scans a batch
)

// killGroup is the group the child writes: the values of scan n follow from n.
func killGroup() *scan.Group {
	return &scan.Group{Device: "controller", Name: "1s", PeriodMS: 1000, Channels: []scan.Channel{
		intChannel("controller", "a"), intChannel("controller", "b"), intChannel("controller", "c")}}
}

func killScan(g *scan.Group, n uint64) scan.Scan {
	// ten seconds a scan: an hour is sealed every 360 scans
	wall := startMS + int64(n)*10_000
	return scan.Scan{Group: g, WallMS: wall, MonoMS: wall - startMS, DurationMS: uint32(n % 50),
		Values: []int64{int64(n), int64(n * 2654435761 % 4096), -int64(n)}}
}

// childMain writes until it is killed. After each sync it prints durable_seq.
func childMain(dir string) {
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: 10 * time.Millisecond, SegmentBytes: 20_000})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	groups, err := s.Register([]*scan.Group{killGroup()})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	fmt.Println("durable", s.DurableSeq())
	for {
		batch := make([]scan.Scan, childScan)
		for i := range batch {
			batch[i] = killScan(groups[0], s.LastSeq()+1+uint64(i))
		}
		if err := s.Append(batch); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		if err := s.Sync(); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println("durable", s.DurableSeq())
	}
}

// TestKilledWhileWriting kills a writing process at random moments, 20 to
// 200 ms after its start, every other time after its first word, since on a
// busy machine the start alone takes longer. Each time the store must open, with every scan up to
// the last durable_seq that was printed, its values as written, and nothing
// that was not written. LOADSCRIBE_LONG=1 makes it 300 kills.
func TestKilledWhileWriting(t *testing.T) {
	kills := 40
	if os.Getenv(longEnv) != "" {
		kills = 300
	}
	if testing.Short() {
		kills = 5
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	seed := uint64(time.Now().UnixNano())
	r := rand.New(rand.NewPCG(seed, 1))
	last := uint64(0)
	for i := range kills {
		durable := runAndKill(t, exe, dir, time.Duration(20+r.IntN(181))*time.Millisecond, i%2 == 0)
		s, err := OpenReadOnly(dir, Options{})
		if err != nil {
			if durable == 0 && last == 0 {
				continue // killed before the store was made
			}
			t.Fatalf("kill %d (seed %d): %v", i, seed, err)
		}
		n := uint64(0)
		for _, sc := range readAll(t, s, ScanQuery{}) {
			n++
			want := killScan(sc.Group, n)
			want.Seq, want.Segment = n, sc.Segment
			if !sameScan(&sc, &want) {
				t.Fatalf("kill %d (seed %d): scan %d is %+v, want %+v", i, seed, n, sc, want)
			}
		}
		if n < durable || n < last {
			t.Fatalf("kill %d (seed %d): %d scans, %d were called safe and %d were read before", i, seed, n, durable, last)
		}
		last = n
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if events := lossEvents(t, dir); i == kills-1 && len(events) > 0 {
			t.Errorf("killing caused reports of damage: %q", events)
		}
	}
	if last == 0 {
		t.Fatal("no scan was ever written")
	}
	t.Logf("%d kills, %d scans, none lost", kills, last)
	checkIntegrity(t, dir)
}

func lossEvents(t *testing.T, dir string) []string {
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	events, err := s.Events(0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range events {
		if e.Kind == "data_damaged" {
			out = append(out, e.Text)
		}
	}
	return out
}

// words is what a child says; first is closed at its first word. The buffer is
// no embedded one: its ReadFrom would pass Write by.
type words struct {
	said  bytes.Buffer
	first chan struct{}
	once  sync.Once
}

func (w *words) Write(b []byte) (int, error) {
	w.once.Do(func() { close(w.first) })
	return w.said.Write(b)
}

// runAndKill runs a child for a while, which begins with its start or with its
// first word, kills it and returns the last durable_seq it printed.
func runAndKill(t *testing.T, exe, dir string, after time.Duration, fromFirst bool) uint64 {
	t.Helper()
	return runAndKillArg(t, exe, childEnv, dir, after, fromFirst)
}

// runAndKillArg tells the child by an environment variable what to do.
func runAndKillArg(t *testing.T, exe, env, dir string, after time.Duration, fromFirst bool) uint64 {
	t.Helper()
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), env+"="+dir)
	out := words{first: make(chan struct{})}
	cmd.Stdout = &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if fromFirst {
		select {
		case <-out.first:
		case <-time.After(60 * time.Second):
			t.Error("the child said nothing in 60 s")
		}
	}
	time.Sleep(after)
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // "killed" is what was wanted
	durable := uint64(0)
	for sc := bufio.NewScanner(&out.said); sc.Scan(); {
		word, rest, _ := strings.Cut(sc.Text(), " ")
		if word == "error" {
			t.Fatalf("child: %s", rest)
		}
		if n, err := strconv.ParseUint(rest, 10, 64); err == nil && word == "durable" {
			durable = n
		} // the last line may be cut short: a prefix of a number is smaller
	}
	return durable
}
