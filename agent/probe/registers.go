package probe

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/sitefile"
)

// Asker reads registers: a Session, or a modbus.Client.
type Asker interface {
	Read(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) ([]byte, error)
}

// MaxCount is how many registers or bits one range may have.
const MaxCount = 2000

const (
	chunk       = 32 // registers in the first reads: many devices take no more
	bitChunk    = 128
	maxSilences = 24 // in one exploration: each costs a timeout
)

// functionOf returns the read function of a table.
func functionOf(t sitefile.Table) (byte, error) {
	switch t {
	case sitefile.Coil:
		return frame.ReadCoils, nil
	case sitefile.Discrete:
		return frame.ReadDiscreteInputs, nil
	case sitefile.Input:
		return frame.ReadInputRegisters, nil
	case sitefile.Holding:
		return frame.ReadHoldingRegisters, nil
	}
	return 0, fmt.Errorf("table %q is none of coil, discrete, input, holding", t)
}

// Cell is one place of a range: a register or a bit.
type Cell struct {
	Address uint16
	Here    bool
	Why     string // why it is not here: an exception, or no answer
}

// Range is a part of a device's table and how it can be read.
type Range struct {
	Unit  byte
	Table sitefile.Table
	From  uint16
	Cells []Cell
	// requests are those that were answered, in the order of addresses; each
	// is read again as it stands, since some devices refuse what spans two of
	// their own areas.
	requests []frame.ReadRequest
	timeout  time.Duration
}

// IsBits reports whether the cells are single bits.
func (r *Range) IsBits() bool { return r.Table == sitefile.Coil || r.Table == sitefile.Discrete }

// Here returns how many cells can be read.
func (r *Range) Here() (n int) {
	for _, c := range r.Cells {
		if c.Here {
			n++
		}
	}
	return n
}

// Hole is a run of addresses that cannot be read.
type Hole struct {
	From uint16 `json:"from"`
	To   uint16 `json:"to"`
	Why  string `json:"why"`
}

// Holes returns the runs of cells that cannot be read, with the reason.
func (r *Range) Holes() (holes []Hole) {
	for _, c := range r.Cells {
		last := len(holes) - 1
		switch {
		case c.Here:
		case last >= 0 && holes[last].Why == c.Why && int(holes[last].To)+1 == int(c.Address):
			holes[last].To = c.Address
		default:
			holes = append(holes, Hole{From: c.Address, To: c.Address, Why: c.Why})
		}
	}
	return holes
}

// Explore finds which of count cells from an address on can be read: it asks
// for pieces, and halves what is refused until each hole is known. Damaged and
// missing answers are asked for a second time. The error is the context's or that
// of a lost line; a device that is silent to all of it has one hole.
func Explore(ctx context.Context, ask Asker, unit byte, table sitefile.Table, from uint16, count int, timeout time.Duration) (*Range, error) {
	function, err := functionOf(table)
	if err != nil {
		return nil, err
	}
	if count < 1 || count > MaxCount || int(from)+count > 1<<16 {
		return nil, fmt.Errorf("a range of %d from %d: 1 to %d places up to address 65535 can be looked at in one go", count, from, MaxCount)
	}
	r := &Range{Unit: unit, Table: table, From: from, Cells: make([]Cell, count), timeout: timeout}
	for i := range r.Cells {
		r.Cells[i] = Cell{Address: from + uint16(i), Why: "not asked"}
	}
	e := explorer{ask: ask, r: r, function: function}
	step := chunk
	if r.IsBits() {
		step = bitChunk
	}
	for at := 0; at < count; at += step {
		if err := e.piece(ctx, at, min(step, count-at)); err != nil {
			return r, err
		}
	}
	return r, nil
}

type explorer struct {
	ask      Asker
	r        *Range
	function byte
	silences int
	refused  string // the whole table is: why
}

func (e *explorer) piece(ctx context.Context, at, n int) error {
	req := frame.ReadRequest{Function: e.function, Address: e.r.From + uint16(at), Quantity: uint16(n)}
	if e.refused != "" || e.silences >= maxSilences {
		e.mark(at, n, e.refused)
		return nil
	}
	err := e.once(ctx, req)
	if errors.Is(err, modbus.ErrTimeout) || errors.Is(err, modbus.ErrBadChecksum) {
		err = e.once(ctx, req) // noise and pauses happen; a hole says the same twice
	}
	var refusal *modbus.ExceptionError
	switch {
	case err == nil:
		for i := at; i < at+n; i++ {
			e.r.Cells[i].Here, e.r.Cells[i].Why = true, ""
		}
		e.r.requests = append(e.r.requests, req)
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.As(err, &refusal):
		why := frame.Exception(refusal.Code).Error()
		if frame.Exception(refusal.Code) == frame.IllegalFunction {
			e.refused = why
		}
		if n == 1 || e.refused != "" {
			e.mark(at, n, why)
			return nil
		}
	case errors.Is(err, modbus.ErrTimeout), errors.Is(err, modbus.ErrBadChecksum), errors.Is(err, modbus.ErrWrongAnswer):
		if n == 1 {
			e.mark(at, n, "no good answer")
			return nil
		}
	default:
		return err
	}
	half := n / 2
	if err := e.piece(ctx, at, half); err != nil {
		return err
	}
	return e.piece(ctx, at+half, n-half)
}

func (e *explorer) once(ctx context.Context, req frame.ReadRequest) error {
	_, err := e.ask.Read(ctx, e.r.Unit, req, e.r.timeout)
	if errors.Is(err, modbus.ErrTimeout) {
		e.silences++
	}
	return err
}

func (e *explorer) mark(at, n int, why string) {
	if why == "" {
		why = "no good answer"
	}
	for i := at; i < at+n; i++ {
		e.r.Cells[i].Why = why
	}
}

// Snapshot is a range's values at one time.
type Snapshot struct {
	At    time.Time
	Words []uint16 // one a cell: a register, or a bit as 0 or 1
	Good  []bool   // whether that cell was read
}

// Read reads all cells that are here. A piece that is not answered this time is
// not good in the snapshot; the error is the context's or that of a lost line.
func (r *Range) Read(ctx context.Context, ask Asker) (Snapshot, error) {
	s := Snapshot{At: time.Now(), Words: make([]uint16, len(r.Cells)), Good: make([]bool, len(r.Cells))}
	for _, req := range r.requests {
		payload, err := ask.Read(ctx, r.Unit, req, r.timeout)
		switch {
		case err == nil:
		case ctx.Err() != nil:
			return s, ctx.Err()
		case errors.Is(err, modbus.ErrTimeout), errors.Is(err, modbus.ErrBadChecksum), errors.Is(err, modbus.ErrWrongAnswer), refused(err):
			continue
		default:
			return s, err
		}
		at := int(req.Address) - int(r.From)
		for i := range int(req.Quantity) {
			if r.IsBits() {
				s.Words[at+i] = uint16(payload[i/8]>>(i%8)) & 1
			} else {
				s.Words[at+i] = binary.BigEndian.Uint16(payload[2*i:])
			}
			s.Good[at+i] = true
		}
	}
	return s, nil
}

func refused(err error) bool {
	var refusal *modbus.ExceptionError
	return errors.As(err, &refusal)
}

// Watch reads the range every period for a time, and hands each snapshot to
// see, which may be nil. It returns what it has when the context ends.
func (r *Range) Watch(ctx context.Context, ask Asker, period, length time.Duration, see func(Snapshot)) ([]Snapshot, error) {
	var all []Snapshot
	end := time.Now().Add(length)
	tick := time.NewTicker(period)
	defer tick.Stop()
	for {
		s, err := r.Read(ctx, ask)
		if err != nil {
			return all, err
		}
		all = append(all, s)
		if see != nil {
			see(s)
		}
		if !time.Now().Add(period).Before(end) {
			return all, nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return all, ctx.Err()
		}
	}
}

// Question returns a read that the device answers, for measuring; ok is false
// where nothing could be read.
func (r *Range) Question() (req frame.ReadRequest, ok bool) {
	if len(r.requests) == 0 {
		return req, false
	}
	return r.requests[0], true
}
