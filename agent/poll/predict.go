package poll

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/sitefile"
)

// assumedTurnaround is how long a device is taken to think before it answers.
// Common practice, no source; the real time is seen in the round trips.
const assumedTurnaround = 10 * time.Millisecond

// fullShare is the share of a serial line's time above which its periods are
// not kept any more: retries and probes need the rest.
const fullShare = 0.8

// bauds are the usual speeds that Predict suggests.
var bauds = [...]int{9600, 19200, 38400, 57600, 115200}

// LineLoad is how busy a serial line is going to be.
type LineLoad struct {
	Line string
	// CycleMS is the wire time that one second of polling takes, in ms.
	CycleMS float64
	// Share is CycleMS over a second; above 1 the periods cannot be kept.
	Share float64
	// Advice says by how much the periods do not fit and what to change; empty
	// while they do.
	Advice string
}

// Predict returns the load of each serial Modbus line of site that is polled: eleven-bit
// characters, a silence around each frame, the line's turnaround, and 10 ms in
// which the device thinks. It fails where Plan does.
func Predict(site *sitefile.Site) ([]LineLoad, error) {
	groups := sitefile.Groups(site)
	var loads []LineLoad
	for i := range site.Lines {
		l := &site.Lines[i]
		if l.Listen || l.Kind != sitefile.ModbusRTU && l.Kind != sitefile.ModbusASCII {
			continue
		}
		var reads []repeated
		for _, g := range groups {
			d, ok := site.DeviceByName(g.Device)
			if !ok || d.Line != l.Name {
				continue
			}
			blocks, err := planOn(l, d, g)
			if err != nil {
				return nil, fmt.Errorf("line %q: %w", l.Name, err)
			}
			for _, b := range blocks {
				reads = append(reads, repeated{b.Request, 1000 / float64(g.PeriodMS)})
			}
		}
		loads = append(loads, loadOf(l, reads))
	}
	return loads, nil
}

// repeated is a request that is made perSecond times a second.
type repeated struct {
	request   frame.ReadRequest
	perSecond float64
}

func loadOf(l *sitefile.Line, reads []repeated) LineLoad {
	share := shareAt(l, l.Serial.Baud, reads)
	load := LineLoad{Line: l.Name, CycleMS: 1000 * share, Share: share}
	if share <= fullShare {
		return load
	}
	load.Advice = fmt.Sprintf("line %q: its periods need %.0f %% of the time at %d baud, and %.0f %% is the most that can be kept: make the periods %.1f times as long",
		l.Name, 100*share, l.Serial.Baud, 100*fullShare, share/fullShare)
	for _, baud := range bauds {
		if baud > l.Serial.Baud && shareAt(l, baud, reads) <= fullShare {
			load.Advice += fmt.Sprintf(", or set line and devices to %d baud", baud)
			break
		}
	}
	return load
}

// shareAt returns the share of the wire's time that reads take at a speed.
func shareAt(l *sitefile.Line, baud int, reads []repeated) float64 {
	var perSecond float64
	for _, r := range reads {
		perSecond += r.perSecond * exchangeTime(l, baud, r.request).Seconds()
	}
	return perSecond
}

// exchangeTime returns how long one request and its answer keep the line.
func exchangeTime(l *sitefile.Line, baud int, req frame.ReadRequest) time.Duration {
	return frame.TransmitTime(baud, characters(l, req.ByteCount())) + 2*frame.Gap(baud) + l.Turnaround + assumedTurnaround
}

// characters is how many a request and an answer with so many bytes of data
// have together on a serial line.
func characters(l *sitefile.Line, dataBytes int) int {
	// RTU: unit, five bytes of request, CRC; unit, function, count, data, CRC.
	ask, answer := 8, 5+dataBytes
	if l.Kind == sitefile.ModbusASCII {
		// Two characters a byte, LRC for CRC, colon, CR and LF.
		ask, answer = 2*(ask-1)+3, 2*(answer-1)+3
	}
	return ask + answer
}

// speaksSerial reports whether the line's speed is known.
func speaksSerial(l *sitefile.Line) bool {
	return l != nil && (l.Kind == sitefile.ModbusRTU || l.Kind == sitefile.ModbusASCII) && l.Serial.Baud > 0
}

// worthBridging is the longest hole, in registers or bits, whose reading along
// takes no more of the line's time than the request that it saves.
func worthBridging(l *sitefile.Line, t sitefile.Table) int {
	if !speaksSerial(l) {
		return math.MaxInt // the network carries a full answer in the time of a short one
	}
	saved := exchangeTime(l, l.Serial.Baud, frame.ReadRequest{})
	perByte := frame.TransmitTime(l.Serial.Baud, characters(l, 1)-characters(l, 0))
	bytes := int(saved / perByte)
	if t == sitefile.Coil || t == sitefile.Discrete {
		return 8 * bytes
	}
	return bytes / 2
}
