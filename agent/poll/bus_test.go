package poll

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// bus is a line in memory. Each unit answers any register with unit·1000 plus
// its address, after its delay.
type bus struct {
	mu     sync.Mutex // guards all below
	units  map[byte]*busUnit
	gone   bool // the port is not there
	spends bool // a timeout spends the client, as over TCP
	hangUp int  // connections that are lost at their next read
	opens  int
	tries  int
	busy   bool // a request is out
	reads  int
}

type busUnit struct {
	off   bool
	delay time.Duration
	err   error
	asked int
}

var errUnplugged = errors.New("unplugged")

func newBus(units ...byte) *bus {
	b := &bus{units: map[byte]*busUnit{}}
	for _, u := range units {
		b.units[u] = &busUnit{delay: 20 * time.Millisecond}
	}
	return b
}

// with changes the bus under its lock.
func (b *bus) with(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

func (b *bus) dial(context.Context, *sitefile.Line) (Client, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tries++
	if b.gone {
		return nil, errors.New("open COM3: there is no such port: plug the adapter in")
	}
	b.opens++
	return &busClient{bus: b}, nil
}

type busClient struct {
	bus    *bus
	mu     sync.Mutex
	broken error
}

func (c *busClient) Err() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.broken
}

func (c *busClient) lose(err error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.broken = err
	return err
}

func (c *busClient) Close() error { return nil }

func (c *busClient) Read(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) ([]byte, error) {
	if err := c.Err(); err != nil {
		return nil, err
	}
	u, lost, err := c.bus.begin(unit)
	if err != nil {
		return nil, c.lose(err)
	}
	defer c.bus.with(func() { c.bus.busy = false })
	wait, result := u.delay, u.err
	if u.off || wait > timeout {
		wait, result = timeout, modbus.ErrTimeout
	}
	if lost {
		wait, result = 0, modbus.ErrLineLost
	}
	select {
	case <-time.After(wait):
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if result != nil {
		if lost || errors.Is(result, modbus.ErrTimeout) && c.bus.spends {
			_ = c.lose(modbus.ErrLineLost)
		}
		return nil, result
	}
	var out []byte
	for i := range req.Quantity {
		out = binary.BigEndian.AppendUint16(out, uint16(unit)*1000+req.Address+i)
	}
	return out, nil
}

// begin takes the line and returns a copy of the unit.
func (b *bus) begin(unit byte) (u busUnit, lost bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.busy {
		panic("two requests at a time on one line")
	}
	if b.gone {
		return u, false, errUnplugged
	}
	b.reads++
	if b.hangUp > 0 {
		b.hangUp--
		lost = true
	}
	b.busy = true
	if there := b.units[unit]; there != nil {
		there.asked++
		return *there, lost, nil
	}
	return busUnit{off: true}, lost, nil
}

// tape is a Sink that keeps all.
type tape struct {
	mu    sync.Mutex
	scans []scan.Scan
}

func (t *tape) Offer(s scan.Scan) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.scans = append(t.scans, s)
}

// of returns the scans of a device; an empty group means all of its groups.
func (t *tape) of(device, group string) []scan.Scan {
	t.mu.Lock()
	defer t.mu.Unlock()
	var found []scan.Scan
	for _, s := range t.scans {
		if s.Group.Device == device && (group == "" || s.Group.Name == group) {
			found = append(found, s)
		}
	}
	return found
}

// count counts scans by reason.
func count(scans []scan.Scan) map[scan.Reason]int {
	n := map[scan.Reason]int{}
	for _, s := range scans {
		n[s.Reason]++
	}
	return n
}

// siteOf makes a site with one serial line and units 1 to n, named u1 to un,
// each with one group for each period.
func siteOf(n int, periods ...time.Duration) *sitefile.Site {
	site := &sitefile.Site{Lines: []sitefile.Line{{Name: "bus", Kind: sitefile.ModbusRTU, Port: "COM3", Timeout: time.Second,
		Serial: sitefile.Serial{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}}}}
	for i := 1; i <= n; i++ {
		m := &sitefile.RegisterMap{Protocol: "modbus", Bridge: 8}
		for j, p := range periods {
			c := ch(fmt.Sprintf("v%d", j), sitefile.Input, 10*j, "u16")
			c.Every = p
			m.Channels = append(m.Channels, c)
		}
		site.Devices = append(site.Devices, sitefile.Device{Name: fmt.Sprintf("u%d", i), Line: "bus", UnitID: uint8(i),
			MapPath: "maps/a.toml", Map: m})
	}
	return site
}

// polling is a Poller that runs until stop is called.
type polling struct {
	*Poller
	tape *tape
	stop func()
}

// start runs a Poller of all groups of site. It must be stopped.
func start(t *testing.T, site *sitefile.Site, opts Options) polling {
	t.Helper()
	sink := &tape{}
	p, err := New(site, sitefile.Groups(site), sink, opts)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	return polling{p, sink, func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	}}
}
