package probe

import (
	"errors"
	"slices"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
)

// Wish is what a person knows already. All of it may be empty.
type Wish struct {
	Framing  modbus.Framing
	Settings []modbus.Serial // tried before all others
	Bauds    []int           // these speeds in each usual format, next
	Units    []byte          // asked before all others
	Timeout  time.Duration   // 0: DefaultTimeout
	Net      bool            // no serial settings
}

// DefaultTimeout is how long an answer may take to begin while searching. A
// slower device is noticed by its late answer.
const DefaultTimeout = 300 * time.Millisecond

// Try is one question of a sweep.
type Try struct {
	Serial   modbus.Serial
	Unit     byte
	Function byte
	likely   bool // of the first rounds: settings and units that are usual or named
}

// Plan is a sweep before it begins.
type Plan struct {
	Tries    []Try
	Likely   int // how many of them, from the first, are likely
	Settings []modbus.Serial
	Timeout  time.Duration
	framing  modbus.Framing
	named    []byte
}

// The order in which speeds, formats and unit ids are tried. Common practice, no
// source, but for 19200 8E1, which Modbus over Serial Line V1.02, 2.5.1, names
// as the default (8N2 without parity), and 9600, which each device must offer.
func likelySettings(framing modbus.Framing) []modbus.Serial {
	formats := []modbus.Serial{{DataBits: 8, Parity: 'N', StopBits: 1}, {DataBits: 8, Parity: 'E', StopBits: 1},
		{DataBits: 8, Parity: 'N', StopBits: 2}, {DataBits: 8, Parity: 'O', StopBits: 1}}
	if framing == modbus.ASCII {
		formats = slices.Concat([]modbus.Serial{{DataBits: 7, Parity: 'E', StopBits: 1}, {DataBits: 7, Parity: 'N', StopBits: 2},
			{DataBits: 7, Parity: 'O', StopBits: 1}}, formats)
	}
	return withSpeeds([]int{9600, 19200, 38400, 115200, 57600, 4800, 2400, 1200}, formats)
}

func withSpeeds(bauds []int, formats []modbus.Serial) []modbus.Serial {
	var all []modbus.Serial
	for _, baud := range bauds {
		for _, f := range formats {
			f.Baud = baud
			all = append(all, f)
		}
	}
	return all
}

func likelyUnits(net bool) []byte {
	if net {
		return []byte{1, 255, 2, 3, 4, 5, 247, 0} // 255 and 0: the server itself
	}
	return []byte{1, 2, 3, 4, 5, 247}
}

// NewPlan lays out a sweep: what the person names first, then the likely
// settings with the likely units, then those with the other read function (a
// few devices stay silent where they should refuse), then all other units.
func NewPlan(w Wish) Plan {
	p := Plan{Timeout: w.Timeout, framing: w.Framing, named: w.Units}
	if p.Timeout <= 0 {
		p.Timeout = DefaultTimeout
	}
	p.Settings = []modbus.Serial{{}}
	if !w.Net {
		p.Settings = distinct(slices.Concat(w.Settings, bySpeed(w.Bauds, w.Framing), likelySettings(w.Framing)))
	}
	units := distinct(slices.Concat(w.Units, likelyUnits(w.Net)))
	rest := make([]byte, 0, 247)
	for u := byte(1); u <= 247; u++ {
		rest = append(rest, u)
	}
	seen := map[Try]bool{}
	add := func(settings []modbus.Serial, units []byte, function byte, likely bool) {
		for _, s := range settings {
			for _, u := range units {
				t := Try{Serial: s, Unit: u, Function: function}
				if seen[t] || u == 0 && !w.Net {
					continue
				}
				seen[t] = true
				t.likely = likely
				p.Tries = append(p.Tries, t)
			}
		}
	}
	if len(w.Settings) > 0 && len(w.Units) > 0 {
		add(w.Settings, w.Units, frame.ReadHoldingRegisters, true)
		add(w.Settings, w.Units, frame.ReadInputRegisters, true)
	}
	add(p.Settings, units, frame.ReadHoldingRegisters, true)
	p.Likely = len(p.Tries)
	add(p.Settings, units, frame.ReadInputRegisters, false)
	add(p.Settings, rest, frame.ReadHoldingRegisters, false)
	return p
}

// bySpeed gives named speeds in each usual format.
func bySpeed(bauds []int, framing modbus.Framing) []modbus.Serial {
	var all []modbus.Serial
	for _, baud := range bauds {
		for _, s := range likelySettings(framing) {
			s.Baud = baud
			all = append(all, s)
		}
	}
	return distinct(all)
}

func distinct[T comparable](list []T) []T {
	seen := map[T]bool{}
	return slices.DeleteFunc(slices.Clone(list), func(v T) bool {
		again := seen[v]
		seen[v] = true
		return again
	})
}

// openingCost is allowed for each opening of a port.
const openingCost = 50 * time.Millisecond

// cost is the longest time that one try can take: the timeout, and behind a
// silence the wait for one longest frame.
func (p Plan) cost(t Try) time.Duration {
	if p.framing == modbus.TCP {
		return p.Timeout
	}
	longest := frame.MaxRTU
	if p.framing == modbus.ASCII {
		longest = frame.MaxASCII
	}
	return p.Timeout + frame.Gap(t.Serial.Baud) + frame.TransmitTime(t.Serial.Baud, 2*8+longest)
}

// Longest returns how long the first n tries take at most, all of them silent.
func (p Plan) Longest(n int) time.Duration {
	var sum time.Duration
	for i, t := range p.Tries[:min(n, len(p.Tries))] {
		if i == 0 || t.Serial != p.Tries[i-1].Serial {
			sum += openingCost
		}
		sum += p.cost(t)
	}
	return sum
}

// Within returns how many tries fit into limit at the least; limit 0 or below
// takes all.
func (p Plan) Within(limit time.Duration) int {
	if limit <= 0 {
		return len(p.Tries)
	}
	var sum time.Duration
	for i, t := range p.Tries {
		if i == 0 || t.Serial != p.Tries[i-1].Serial {
			sum += openingCost
		}
		if sum += p.cost(t); sum > limit {
			return i
		}
	}
	return len(p.Tries)
}

func isSettings(err error) bool { return errors.Is(err, modbus.ErrSettings) }
