package dashboard

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/coder/websocket"

	"loadscribe/agent/store"
)

// ahead is how many messages crowd publishes before all readers have the first of
// them: on a busy computer readers are slow too, and are not what is tested.
const ahead = 4

// crowd publishes messages to readers, until enough says so, and then a last one
// that ends them. Each must get every message in order. It returns how late each
// came to each, sorted.
func crowd(t *testing.T, r *running, readers []*websocket.Conn, enough func(sent int) bool) []time.Duration {
	t.Helper()
	const most, farewell = 2000, "that was the last one"
	payload := strings.Repeat("x", 32<<10)
	var at [most + 1]atomic.Int64  // when message i was published, Unix ns
	var got [most + 1]atomic.Int64 // how many readers have it
	first := r.hub.lastSeq() + 1
	late := make([][]time.Duration, len(readers))
	var ended sync.WaitGroup
	for i, conn := range readers {
		ended.Go(func() {
			for n := 0; ; n++ {
				_, text, err := conn.Read(deadline(t))
				if err != nil {
					t.Errorf("reader %d, message %d: %v", i, n, err)
					return
				}
				if want := fmt.Sprintf(`{"seq":%d,"type":"event"`, first+uint64(n)); !strings.HasPrefix(string(text), want) {
					t.Errorf("reader %d: %.60s, want %s", i, text, want)
					return
				}
				late[i] = append(late[i], time.Duration(time.Now().UnixNano()-at[n].Load()))
				got[n].Add(1)
				if strings.Contains(string(text), farewell) {
					return
				}
			}
		})
	}
	for n, last := 0, false; !last; n++ {
		if n >= ahead {
			wait(t, fmt.Sprintf("message %d to reach all", n-ahead), func() bool { return got[n-ahead].Load() == int64(len(readers)) })
		}
		event := store.Event{Seq: uint64(n), WallMS: noon, Text: payload}
		if last = n == most || enough(n); last {
			event.Text = farewell
		}
		at[n].Store(time.Now().UnixNano())
		r.Publish("event", event)
	}
	ended.Wait()
	all := slices.Concat(late...)
	slices.Sort(all)
	if len(all) == 0 {
		t.Fatal("nobody got anything")
	}
	return all
}

// TestCrowdWithStalledClients: 200 pages are open and 50 of them stop reading.
// The others get every message in order, about as soon as without them: nobody
// waits for a client's write, which may take 10 s here.
func TestCrowdWithStalledClients(t *testing.T) {
	if testing.Short() {
		t.Skip("half a gigabyte over the loopback; under the race detector TestStalledClientHarmsNobody does the same for one")
	}
	const healthy, stalled = 150, 50
	s := newTestServer(t, newShop(), Options{})
	s.hub.limits.queue = 16
	r := run(t, s)
	var readers []*websocket.Conn
	for range healthy {
		conn := dial(t, r, nil)
		if _, _, err := conn.Read(deadline(t)); err != nil { // the snapshot
			t.Fatal(err)
		}
		readers = append(readers, conn)
	}
	alone := crowd(t, r, readers, func(sent int) bool { return sent == 60 })
	for range stalled {
		stalledClient(t, r)
	}
	wait(t, "all clients to be in", func() bool { return s.Live().Clients == healthy+stalled })
	worst := 0
	beside := crowd(t, r, readers, func(sent int) bool {
		worst = max(worst, longestQueue(s.hub))
		return sent >= 60 && s.Live().Kicked >= stalled
	})
	wait(t, "the stalled clients to be closed", func() bool { return s.Live().Kicked == stalled && s.Live().Clients == healthy })
	if worst > s.hub.limits.queue {
		t.Errorf("a queue held %d messages, its bound is %d", worst, s.hub.limits.queue)
	}
	share := func(late []time.Duration, of int) time.Duration { return late[(len(late)-1)*of/100] }
	t.Logf("late by, 50 %% and 99 %%: alone %v, %v; beside %d stalled %v, %v",
		share(alone, 50), share(alone, 99), stalled, share(beside, 50), share(beside, 99))
	// Far beyond what a busy computer adds, and far below one wait for a write.
	if was, is := share(alone, 99), share(beside, 99); is > 5*was+2*time.Second {
		t.Errorf("99 %% of messages came within %v, %v without the stalled clients", is, was)
	}
}
