package analysis

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"strconv"

	"loadscribe/agent/store"
)

// Point is a current and the power that went with it.
type Point struct {
	CurrentA  float64
	PowerW    float64
	UCurrentA float64 // standard uncertainty from scatter alone
	UPowerW   float64 // standard uncertainty from the instrument, which both points share
}

// ErrPoints is wrapped when two points make no line.
var ErrPoints = errors.New("power from current")

// bendShare is how far a motor's power lies above the straight line between an
// unloaded and a loaded point at most, as a share of their difference: with
// constant reactive power Q, P = √((k·I)² - Q²) is concave; for Q of 0.4-0.6
// and an unloaded power of 0.25-0.6, both of the loaded power, it is up to
// 0.083 (worked out in the test).
const bendShare = 0.09

// PowerFromCurrent makes P = a + b·I of an unloaded and a loaded point, and u,
// the standard uncertainty in W of the power at a current in A, extrapolated
// ones too.
//
// It combines by the GUM (JCGM 100:2008, 5.1 and 5.2; from memory), with w1 and
// w2 = 1-w1 the weights of the two points at that current:
//
//	u² = (w1·u(P1) + w2·u(P2))² + b²·((w1·u(I1))² + (w2·u(I2))²) + (4·w1·w2·bend)²/3
//
// The powers were read with one instrument, so their errors are taken as fully
// correlated and add up; a wrong scale of the logged current is in both points
// and in every later reading alike and cancels out, so only its scatter counts.
// bend is the largest distance of a motor's curve from the line, zero at the
// points, taken as rectangular. What a reading itself scatters is the caller's
// to add: b·u(I).
//
// The error wraps ErrPoints where the currents differ by less than a tenth of
// the larger or the power does not rise with the current.
func PowerFromCurrent(unloaded, loaded Point) (a, b float64, u func(currentA float64) float64, err error) {
	span := loaded.CurrentA - unloaded.CurrentA
	rise := loaded.PowerW - unloaded.PowerW
	for _, v := range []float64{span, rise, loaded.UPowerW + unloaded.UPowerW, loaded.UCurrentA + unloaded.UCurrentA} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, 0, nil, fmt.Errorf("%w: a value is missing", ErrPoints)
		}
	}
	if span < 0.1*loaded.CurrentA || rise <= 0 {
		return 0, 0, nil, fmt.Errorf("%w: unloaded %.1f A, %.1f kW and loaded %.1f A, %.1f kW are too near to each other or the wrong way round",
			ErrPoints, unloaded.CurrentA, unloaded.PowerW/1e3, loaded.CurrentA, loaded.PowerW/1e3)
	}
	b = rise / span
	a = unloaded.PowerW - float64(b*unloaded.CurrentA)
	u = func(currentA float64) float64 {
		w2 := (currentA - unloaded.CurrentA) / span
		w1 := 1 - w2
		power := float64(w1*unloaded.UPowerW) + float64(w2*loaded.UPowerW)
		current := b * quad(w1*unloaded.UCurrentA, w2*loaded.UCurrentA)
		bend := 4 * w1 * w2 * bendShare * rise / math.Sqrt(3)
		return quad(power, current, bend)
	}
	return a, b, u, nil
}

// spotLine is the line through two spot readings, as an event keeps it.
type spotLine struct {
	fromMS int64 // wall time of the event
	a, b   float64
	u      func(currentA float64) float64
	logged bool // the currents are those of the channel itself, so that its scale cancels out
}

// EventSource is a Source that has events too, as a store has.
type EventSource interface {
	// EventsWhere returns the latest limit events of the window that are wanted,
	// ascending; 0 and 0 are the whole of time.
	EventsWhere(fromMS, toMS int64, limit int, wanted func(*store.Event) bool) ([]store.Event, error)
}

var _ EventSource = (*store.Store)(nil)

// EventsWhere implements EventSource where what lies beneath does.
func (p *pendingSource) EventsWhere(fromMS, toMS int64, limit int, wanted func(*store.Event) bool) ([]store.Event, error) {
	if src, ok := p.Source.(EventSource); ok {
		return src.EventsWhere(fromMS, toMS, limit, wanted)
	}
	return nil, nil
}

// eventLimit is more than a store gathers in its life.
const eventLimit = 1 << 20

// spotsOf reads the calibrations by spot readings of all machines, each's in the
// order of their times. Those that make no line are passed over.
func spotsOf(src Source) (map[string][]spotLine, error) {
	events, ok := src.(EventSource)
	if !ok {
		return nil, nil
	}
	list, err := events.EventsWhere(0, 0, eventLimit, func(e *store.Event) bool { return e.Kind == "calibration" })
	if err != nil {
		return nil, fmt.Errorf("read the calibrations: %w", err)
	}
	all := map[string][]spotLine{}
	for i := range list {
		e := &list[i]
		point := func(step string) Point {
			v := func(key string) float64 {
				f, err := strconv.ParseFloat(e.Data[step+key], 64)
				if err != nil {
					return math.NaN()
				}
				return f
			}
			return Point{CurrentA: v("_a"), PowerW: v("_w"), UCurrentA: v("_u_a"), UPowerW: v("_u_w")}
		}
		c := spotLine{fromMS: e.WallMS, logged: e.Data["current"] == "logged motor_current"}
		if c.a, c.b, c.u, err = PowerFromCurrent(point("unloaded"), point("loaded")); err == nil {
			all[e.Subject] = append(all[e.Subject], c)
		}
	}
	for _, lines := range all {
		sort.SliceStable(lines, func(i, j int) bool { return lines[i].fromMS < lines[j].fromMS })
	}
	return all, nil
}

// spotAt is the one in force: the last before the moment, else the first.
func spotAt(all []spotLine, ms int64) *spotLine {
	at := &all[0]
	for i := range all {
		if all[i].fromMS <= ms {
			at = &all[i]
		}
	}
	return at
}
