package textline_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/textline"
	"loadscribe/simulator/serve"
)

// counting is a controller whose pressure is the number of reads so far.
type counting struct {
	mu   sync.Mutex
	read uint16
}

func (c *counting) Answer(_ byte, request []byte) ([]byte, bool) {
	req, err := frame.ParseReadRequest(request)
	if err != nil {
		return nil, false
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.read++
	payload := make([]byte, req.ByteCount())
	payload[0], payload[1] = byte(c.read>>8), byte(c.read)
	return frame.AppendReadResponse(nil, req.Function, payload), true
}

// TestDamagedAnswers asks the simulator's panel thousands of times while it
// damages its answers in every way it knows, a twentieth of them each: not one
// wrong value is taken, an undamaged answer is never missed, and a question
// goes wrong no more often than something was done to it.
func TestDamagedAnswers(t *testing.T) {
	const asks = 4000
	for seed := range uint64(3) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				faults := serve.Faults{Seed: seed}
				for f := serve.NoFault + 1; f < serve.NumFaults; f++ {
					if f != serve.EchoLost {
						faults.Share[f] = 0.05
					}
				}
				injector, err := serve.NewInjector(faults)
				if err != nil {
					t.Fatal(err)
				}
				near, far := net.Pipe()
				ctx, cancel := context.WithCancel(t.Context())
				var panel sync.WaitGroup
				controller := &counting{}
				panel.Go(func() { _ = serve.NewTextPanel(controller, 1, 0, injector).Answer(ctx, far) })
				client := textline.New(near, textline.Config{})
				defer panel.Wait()
				defer cancel()
				defer client.Close()

				pattern, err := textline.NewPattern(`AIR,(?P<p>[0-9.]+),0\.0,0\.0\*`, []textline.Field{{Group: "p"}})
				if err != nil {
					t.Fatal(err)
				}
				sum := textline.Checksum{Kind: textline.XOR8, After: []byte("!"), Before: []byte("*")}
				ask := &textline.Ask{Send: []byte("?AIR*5A\r"), Pattern: pattern,
					Format: textline.Format{Begins: []byte("!"), Ends: []byte("\r\n"), Checksum: sum}}
				failed := map[error]int{}
				good := 0
				for n := 1; n <= asks; n++ {
					before := injector.Counts()
					got, err := client.Ask(ctx, ask, time.Second)
					harmless := injector.Counts()[serve.NoFault] > before[serve.NoFault]
					switch want := fmt.Sprintf("AIR,%d.%d,0.0,0.0*", n/10, n%10); {
					case err == nil && got != want:
						t.Fatalf("question %d: got %q, want %q", n, got, want)
					case err == nil:
						good++
					case harmless:
						t.Errorf("question %d: %v, and nothing was done to its answer", n, err)
					default:
						for _, known := range []error{textline.ErrTimeout, textline.ErrBadChecksum, textline.ErrWrongAnswer} {
							if errors.Is(err, known) {
								failed[known]++
							}
						}
					}
				}
				counts := injector.Counts()
				total := good
				for _, n := range failed {
					total += n
				}
				hurt := asks - int(counts[serve.NoFault])
				if total != asks || asks-good > hurt || hurt < asks/3 {
					t.Errorf("%d good, %v, of %d; injected %v", good, failed, asks, counts)
				}
				if silent := int(counts[serve.Silence] + counts[serve.Late]); failed[textline.ErrTimeout] < silent {
					t.Errorf("%d timeouts for %d answers that did not come in time", failed[textline.ErrTimeout], silent)
				}
			})
		})
	}
}
