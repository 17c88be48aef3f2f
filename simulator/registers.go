package simulator

import (
	"encoding/binary"
	"math"
)

// Modbus function codes and exception codes (Modbus Application Protocol
// V1.1b3, sections 6 and 7; from memory).
const (
	readHolding  = 0x03
	readInput    = 0x04
	exceptionBit = 0x80

	illegalFunction = 0x01
	illegalAddress  = 0x02
	illegalValue    = 0x03

	mostRegisters = 125 // of one read
)

// bootSteps is what a device needs after a power failure until it answers.
const bootSteps = 8 * perS

// image is a device's registers, addresses 0 to 63 of both tables.
type image struct {
	input, holding       [64]uint16
	inputMap, holdingMap uint64 // bit a: address a exists
}

func (m *image) setInput(address int, value uint16) {
	m.input[address] = value
	m.inputMap |= 1 << address
}

func (m *image) setHolding(address int, value uint16) {
	m.holding[address] = value
	m.holdingMap |= 1 << address
}

// setWords writes the words of value big end first.
func (m *image) setWords(address, words int, value uint64) {
	for k := range words {
		m.setInput(address+k, uint16(value>>(16*(words-1-k))))
	}
}

// Registers is a device's registers as they stood at its last refresh.
type Registers struct {
	spec    *Device
	index   int // of the machine
	world   *World
	refresh int64 // steps
	next    int64
	wakes   int64 // step from which it answers, after a power failure
	seed    uint64
	wiring  string  // of a meter
	ratio   float64 // of wiringRatio
	wrongJ  float64 // what a meter wired wrongly has counted since the world began

	snap    snapshot
	image   image
	current bool // image is snap's
}

func newRegisters(w *World, spec *Device) *Registers {
	r := &Registers{spec: spec, world: w, refresh: steps(spec.Refresh)}
	r.seed = mix(w.scenario.Seed ^ uint64(spec.Unit)<<32)
	r.wiring, r.ratio, _ = parseWiring(spec.Wiring) // Validate has seen it
	for i := range w.scenario.Machines {
		if w.scenario.Machines[i].Name == spec.Machine {
			r.index = i
		}
	}
	return r
}

// Name is the device's name.
func (r *Registers) Name() string { return r.spec.Name }

// Unit is the Modbus unit id it answers to.
func (r *Registers) Unit() uint8 { return r.spec.Unit }

// Layout is the name of its register layout.
func (r *Registers) Layout() string { return r.spec.Layout }

// refresh lets every device whose time has come look at the plant.
func (w *World) refresh() {
	for _, r := range w.devices {
		if w.now < r.next {
			continue
		}
		r.next = w.now + r.refresh
		w.look(&r.snap, r.index)
		r.spec.Bias.shift(&r.snap, w.machines[r.index])
		r.current = false
		if r.wrong() {
			// A counter takes energy that comes, none that goes.
			r.wrongJ += math.Max(0, seenBy(r.wiring, r.ratio, &r.snap).activeW) * float64(r.refresh) * stepS
		}
	}
}

// wrong reports whether the device is a meter wired wrongly.
func (r *Registers) wrong() bool { return r.wiring != "" && r.wiring != wiringRight }

// energyWh is the meter's counter as it shows at the last refresh.
func (r *Registers) energyWh() uint64 {
	if r.wrong() {
		return r.world.machines[r.index].spec.InitialWh + uint64(r.wrongJ/3600)
	}
	return r.snap.energyWh
}

// Answer returns the response PDU to a request PDU: functions 3 and 4 read;
// any other function gets exception 01, writing too. A quantity outside 1 to
// 125 or a request of the wrong length gets exception 03, an address that does
// not exist exception 02. An empty request gets nil, and so does any other
// while the device has no supply and in the eight seconds after. The image
// stands as it was at the device's last refresh.
func (r *Registers) Answer(request []byte) []byte {
	if len(request) == 0 || r.world.dark || r.world.now < r.wakes {
		return nil
	}
	function := request[0]
	if function != readHolding && function != readInput {
		return []byte{function | exceptionBit, illegalFunction}
	}
	if len(request) != 5 {
		return []byte{function | exceptionBit, illegalValue}
	}
	address := int(binary.BigEndian.Uint16(request[1:]))
	quantity := int(binary.BigEndian.Uint16(request[3:]))
	if quantity < 1 || quantity > mostRegisters {
		return []byte{function | exceptionBit, illegalValue}
	}
	if !r.current {
		r.draw()
		r.current = true
	}
	table, exists := &r.image.holding, r.image.holdingMap
	if function == readInput {
		table, exists = &r.image.input, r.image.inputMap
	}
	if address+quantity > len(table) {
		return []byte{function | exceptionBit, illegalAddress}
	}
	wanted := (uint64(1)<<quantity - 1) << address
	if exists&wanted != wanted {
		return []byte{function | exceptionBit, illegalAddress}
	}
	response := make([]byte, 2, 2+2*quantity)
	response[0], response[1] = function, byte(2*quantity)
	for _, word := range table[address : address+quantity] {
		response = binary.BigEndian.AppendUint16(response, word)
	}
	return response
}
