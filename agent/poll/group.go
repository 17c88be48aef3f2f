package poll

import (
	"context"
	"fmt"
	"log/slog"
	"slices"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Reader reads registers or bits: a live line, or a register image in memory.
// payload is the data of the answer behind its byte count; the Reader may use
// it again at the next call. Errors are those of package modbus; any other
// error counts as a lost line.
type Reader interface {
	Read(ctx context.Context, unit byte, req frame.ReadRequest) (payload []byte, err error)
}

// GroupPoller reads one group of one device. It is for one goroutine.
type GroupPoller struct {
	device  *sitefile.Device
	group   *scan.Group
	decoder *Decoder
	blocks  []*asked
	first   int // which block the next scan begins with
	log     *slog.Logger
	quality []scan.Reason // of the scan that is being made
}

// asked is a block with what is known of its answering.
type asked struct {
	Block
	silent    int   // scans in a row in which it had no answer while others had
	restUntil int64 // monotonic ms before which it is not asked for
}

// NewGroupPoller plans the reading of g, a group of d. log may be nil.
func NewGroupPoller(d *sitefile.Device, g *scan.Group, log *slog.Logger) (*GroupPoller, error) {
	return newGroupPoller(nil, d, g, log)
}

// newGroupPoller plans for the speed of line l; nil: not known.
func newGroupPoller(l *sitefile.Line, d *sitefile.Device, g *scan.Group, log *slog.Logger) (*GroupPoller, error) {
	if d.Map == nil || d.Map.Protocol != "modbus" {
		return nil, fmt.Errorf("device %q: map %q is not a Modbus map: use one, or put the device on a line of kind \"text\"", d.Name, d.MapPath)
	}
	decoder, err := NewDecoder(d, g)
	if err != nil {
		return nil, err
	}
	blocks, err := planOn(l, d, g)
	if err != nil {
		return nil, err
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	p := &GroupPoller{
		device: d, group: g, decoder: decoder, log: log,
		quality: make([]scan.Reason, len(g.Channels)),
	}
	p.blocks = unasked(blocks)
	return p, nil
}

// Group returns the group that is read.
func (p *GroupPoller) Group() *scan.Group { return p.group }

// Blocks returns the requests of one scan as they are now.
func (p *GroupPoller) Blocks() []Block {
	blocks := make([]Block, len(p.blocks))
	for i, b := range p.blocks {
		blocks[i] = b.Block
	}
	return blocks
}

func unasked(blocks []Block) []*asked {
	all := make([]*asked, len(blocks))
	for i, b := range blocks {
		all[i] = &asked{Block: b}
	}
	return all
}

// Poll reads the group once. The scan's times are those of the middle of the
// exchange. A block that the device refuses costs only its own channels; when
// none could be read the scan has the reason instead of values. Silence and a
// lost line end the scan: what was not asked for has the same reason.
//
// A damaged answer is asked for once more. When a block that reads along a hole
// is refused (exceptions 02 and 03) it is cut at its holes, and stays so if
// that helped. A block that alone stays silent is cut too, and asked for seldom
// when that did not help.
//
// The reason is AgentStopped when ctx ended before the exchange did.
func (p *GroupPoller) Poll(ctx context.Context, r Reader, clock scan.Clock) scan.Scan {
	mono, _ := clock.Now()
	s := scan.Scan{Group: p.group, Values: make([]int64, len(p.group.Channels))}
	failed := p.readAll(ctx, r, clock, s.Values)
	// The wall clock as it is now: it may have been set meanwhile, and what another line
	// has handed on since then goes by the new time.
	until, wall := clock.Now()
	s.MonoMS, s.DurationMS = mono+(until-mono)/2, uint32(until-mono)
	s.WallMS = wall - (until - s.MonoMS)
	if failed != scan.Good {
		s.Reason, s.Values = failed, nil
		return s
	}
	for _, q := range p.quality {
		if q != scan.Good {
			s.Quality = slices.Clone(p.quality)
			break
		}
	}
	return s
}

// read implements groupReader.
func (p *GroupPoller) read(ctx context.Context, w *wire, clock scan.Clock) scan.Scan {
	return p.Poll(ctx, w, clock)
}

// readAll reads all blocks into values and p.quality. It returns why there are
// no values at all, or Good.
func (p *GroupPoller) readAll(ctx context.Context, r Reader, clock scan.Clock, values []int64) scan.Reason {
	blocks, first := p.blocks, p.first
	anyRead, why := false, scan.Good
	for k := range blocks {
		b := blocks[(first+k)%len(blocks)]
		from, _ := clock.Now()
		if from < b.restUntil {
			p.mark(b.Block, scan.Timeout, values)
			why = scan.Timeout
			continue
		}
		reason, read := p.readBlock(ctx, r, b, values)
		switch {
		case reason == scan.AgentStopped:
			return reason
		case reason != scan.Good && (why == scan.Good || ends(reason)):
			why = reason
		}
		if read {
			anyRead, b.silent = true, 0
		}
		if ends(reason) {
			for j := k + 1; j < len(blocks); j++ {
				p.mark(blocks[(first+j)%len(blocks)].Block, reason, values)
			}
			// Begin behind it next time, so that it cannot hide the others.
			p.first = (first + k + 1) % len(blocks)
			if anyRead && !read && reason != scan.PortGone {
				now, _ := clock.Now()
				p.spare(b, now, now-from)
			}
			break
		}
	}
	if anyRead {
		return scan.Good
	}
	return why
}

// spare notes that b had no answer for tookMS while other blocks had. Some
// devices say nothing where they should refuse.
func (p *GroupPoller) spare(b *asked, nowMS, tookMS int64) {
	if b.silent++; b.silent < silentRounds {
		return
	}
	if pieces := b.pieces(); len(pieces) > 1 {
		p.keepPieces(b, pieces)
		return
	}
	b.restUntil = nowMS + probePause*tookMS
	if b.silent == silentRounds {
		p.log.Warn("device leaves a request unanswered, asking for it seldom",
			"device", p.device.Name, "group", p.group.Name, "request", b.Request.String(),
			"mend", "check table and addresses in "+p.device.MapPath)
	}
}

// readBlock reads one block, cutting it where that helps. read is true when at
// least a part of it was answered; reason is why another part was not.
func (p *GroupPoller) readBlock(ctx context.Context, r Reader, b *asked, values []int64) (reason scan.Reason, read bool) {
	err := p.ask(ctx, r, b.Block, values)
	if err == nil {
		return scan.Good, true
	}
	reason = reasonOf(ctx, err)
	p.mark(b.Block, reason, values)
	if !refused(err) {
		return reason, false
	}
	pieces := b.pieces()
	if len(pieces) == 1 {
		return reason, false
	}
	for i, piece := range pieces {
		err := p.ask(ctx, r, piece, values)
		if err == nil {
			read = true
			continue
		}
		reason = reasonOf(ctx, err)
		p.mark(piece, reason, values)
		if ends(reason) {
			for _, rest := range pieces[i+1:] {
				p.mark(rest, reason, values)
			}
			return reason, read // not all was tried: learn nothing
		}
	}
	if !read {
		return reason, false // the holes were not at fault
	}
	p.keepPieces(b, pieces)
	return scan.Good, true
}

// keepPieces puts pieces in the place of the block they were cut from.
func (p *GroupPoller) keepPieces(b *asked, pieces []Block) {
	i := slices.Index(p.blocks, b)
	p.blocks = slices.Concat(p.blocks[:i], unasked(pieces), p.blocks[i+1:])
	p.first = 0
	p.log.Warn("device does not let unused registers be read along, reading around them",
		"device", p.device.Name, "group", p.group.Name, "request", b.Request.String(), "requests", len(pieces),
		"mend", "set bridge = 0 in "+p.device.MapPath+" to save the attempt")
}

// ask reads and decodes one block. A damaged answer is asked for once more.
func (p *GroupPoller) ask(ctx context.Context, r Reader, b Block, values []int64) error {
	payload, err := r.Read(ctx, p.device.UnitID, b.Request)
	if err != nil && reasonOf(ctx, err) == scan.BadChecksum {
		payload, err = r.Read(ctx, p.device.UnitID, b.Request)
	}
	if err != nil {
		return err
	}
	return p.decoder.Decode(b, payload, values, p.quality)
}

// mark says why b's channels have no value.
func (p *GroupPoller) mark(b Block, reason scan.Reason, values []int64) {
	for _, f := range b.Fields {
		values[f.Channel], p.quality[f.Channel] = 0, reason
	}
}
