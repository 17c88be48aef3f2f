package serve

import (
	"context"
	"fmt"
	"sync"
	"time"

	"loadscribe/simulator"
)

const (
	// driverTick is how often the world is moved.
	driverTick = 50 * time.Millisecond
	// longestHold bounds the simulated time that one hold of the lock may
	// integrate, so that a world far behind still answers while it catches up.
	longestHold = 10 * time.Minute
)

// Target answers the requests of a line.
type Target interface {
	// Answer returns the response PDU of a unit; ok is false if there is no
	// such unit. It is safe for concurrent use.
	Answer(unit byte, request []byte) (response []byte, ok bool)
}

// Driver is a World that runs by itself and may be read by many.
type Driver struct {
	mu    sync.Mutex // guards world
	world *simulator.World
	units map[byte]*simulator.Registers // fixed
}

// NewDriver takes over world: from now on it is reached through Do only.
func NewDriver(world *simulator.World) *Driver {
	d := &Driver{world: world, units: map[byte]*simulator.Registers{}}
	for _, r := range world.Devices() {
		d.units[r.Unit()] = r
	}
	return d
}

// Do runs f with the world locked; f must not keep it.
func (d *Driver) Do(f func(*simulator.World)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f(d.world)
}

// Now is the world's time.
func (d *Driver) Now() time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.world.Now()
}

// Answer implements Target.
func (d *Driver) Answer(unit byte, request []byte) (response []byte, ok bool) {
	registers := d.units[unit]
	if registers == nil {
		return nil, false
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	response = registers.Answer(request)
	return response, response != nil // without a supply it is as if it were not there
}

// Run moves the world on from where it stands, speed times as fast as the
// clock, until ctx ends; it returns nil then. The speed must be above zero.
func (d *Driver) Run(ctx context.Context, speed float64) error {
	if !(speed > 0) || speed > 1e6 {
		return fmt.Errorf("simulate: speed %g is not above 0 and at most 1000000", speed)
	}
	begun, from := time.Now(), d.Now()
	return d.drive(ctx, func() time.Time {
		return from.Add(time.Duration(float64(time.Since(begun)) * speed))
	})
}

// Follow keeps the world at the wall clock's time until ctx ends, catching up
// first if it is behind; a world ahead of the clock waits for it. It returns
// nil.
func (d *Driver) Follow(ctx context.Context) error {
	return d.drive(ctx, func() time.Time { return time.Now().Round(0) })
}

func (d *Driver) drive(ctx context.Context, target func() time.Time) error {
	ticker := time.NewTicker(driverTick)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
		for end := target(); ctx.Err() == nil && d.moveTowards(end); {
		}
	}
}

// moveTowards advances the world by at most longestHold and reports whether
// end is still ahead.
func (d *Driver) moveTowards(end time.Time) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	piece := d.world.Now().Add(longestHold)
	if piece.Before(end) {
		d.world.Advance(piece)
		return true
	}
	d.world.Advance(end)
	return false
}
