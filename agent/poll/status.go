package poll

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Snapshot is how polling goes. It shares nothing with the Poller.
type Snapshot struct {
	Lines   []LineStatus   // in the site's order
	Devices []DeviceStatus // in the site's order
}

// LineStatus is how one line goes.
type LineStatus struct {
	Line string
	// Up is true while the port is open or the connection stands.
	Up bool
	// Detail says what is wrong and what mends it, or what is open.
	Detail string
	// ChangedMS is when Up last changed, Unix milliseconds; zero: never.
	ChangedMS int64
	// Opened counts how often the port was opened, Missed the due times that
	// were passed over because the line was busy.
	Opened, Missed uint64
	// Restarted counts how often the line was begun anew because it hung.
	Restarted uint64
}

// DeviceStatus is how one device goes.
type DeviceStatus struct {
	Device, Line string
	// Up is true from a scan with values until three in a row had none.
	Up bool
	// LastGoodMS is the wall time of the last scan with values, Unix
	// milliseconds; zero: none yet.
	LastGoodMS int64
	// LastReason is why the last scan had no values, or Good.
	LastReason scan.Reason
	// Detail says what is wrong and what mends it; empty while all is well.
	Detail string
	// Scans counts scans with values. Errors counts, by reason, scans without
	// values and those in which a channel had none or an implausible one.
	Scans  uint64
	Errors map[scan.Reason]uint64
	// Damaged counts damaged answers, those that a second try mended included.
	Damaged uint64
	// RoundTripP50 and RoundTripMax are of the last 128 answers; zero: none.
	RoundTripP50, RoundTripMax time.Duration
	// Turnaround is the median of the last 128 round trips less the time that
	// the characters take on a serial line: how long the device thinks.
	Turnaround time.Duration
	// Groups are the device's poll groups in the site's order.
	Groups []GroupStatus
}

// Hint says of the first group that is polled faster than its registers change
// about how often they do, in ms, and what that means; 0 and empty: none is.
func (s DeviceStatus) Hint() (refreshMS int64, text string) {
	for _, g := range s.Groups {
		if hint := g.Hint(); hint != "" {
			return g.RefreshMS, hint
		}
	}
	return 0, ""
}

func (s DeviceStatus) clone() DeviceStatus {
	s.Errors = maps.Clone(s.Errors)
	s.Groups = slices.Clone(s.Groups)
	return s
}

// downAfter is how many scans in a row without values make a device down.
const downAfter = scan.DownAfter

// lineDetail is what a line says of itself while it is open.
func lineDetail(l *sitefile.Line) string {
	if l.Address != "" {
		return fmt.Sprintf("connected to %s", l.Address)
	}
	open := fmt.Sprintf("%s open at %s", l.Port, l.Serial)
	if l.Listen {
		open += ", listening only"
	}
	return open
}

// mend says what a device's failure most likely means. err is the last error
// from the wire, nil when the device was not asked.
func mend(l *sitefile.Line, d *sitefile.Device, reason scan.Reason, err error) string {
	if l.Kind == sitefile.Text {
		return mendText(l, d, reason, err)
	}
	if l.Listen && err != nil {
		return err.Error()
	}
	serial := l.Address == ""
	switch reason {
	case scan.Timeout:
		if serial {
			return fmt.Sprintf("no answer from unit %d: check power, unit id and A/B wiring", d.UnitID)
		}
		return fmt.Sprintf("no answer from unit %d at %s: check power, unit id and network", d.UnitID, l.Address)
	case scan.BadChecksum:
		if serial {
			return fmt.Sprintf("damaged answers from unit %d: check the serial settings (%s), termination and shield",
				d.UnitID, l.Serial)
		}
		return fmt.Sprintf("damaged answers from unit %d: check the gateway's serial settings and the kind of the line", d.UnitID)
	case scan.WrongAnswer:
		return fmt.Sprintf("wrong answers to questions to unit %d (%v): check that no other master polls this line and that unit ids differ",
			d.UnitID, cause(err))
	case scan.Exception:
		return fmt.Sprintf("unit %d refuses (%v): check tables and addresses in %s", d.UnitID, cause(err), d.MapPath)
	case scan.PortGone:
		return fmt.Sprintf("line %q is down", l.Name)
	case scan.LineBusy:
		return fmt.Sprintf("line %q has another master and is not polled", l.Name)
	}
	return reason.String()
}

// mendText is mend for text lines.
func mendText(l *sitefile.Line, d *sitefile.Device, reason scan.Reason, err error) string {
	where := l.Address
	if where == "" {
		where = l.Port + ", " + l.Serial.String()
	}
	listens := d.Map.Text.Listen
	switch {
	case reason == scan.Timeout && listens:
		return fmt.Sprintf("nothing is printed (%s): check power, cable (transmit and receive crossed?), serial settings and that the device's printing is on", where)
	case reason == scan.Timeout:
		return fmt.Sprintf("no answer (%s): check power, cable (transmit and receive crossed?), serial settings, and send and ends in %s", where, d.MapPath)
	case reason == scan.BadChecksum:
		return fmt.Sprintf("texts with a bad checksum (%s): check the serial settings, the cable, and checksum in %s", where, d.MapPath)
	case reason == scan.WrongAnswer && err != nil:
		return fmt.Sprintf("%v: correct the pattern in %s", err, d.MapPath)
	case reason == scan.PortGone:
		return fmt.Sprintf("line %q is down", l.Name)
	}
	return reason.String()
}

// cause returns a read error without its own advice, which mend replaces.
func cause(err error) error {
	var read *modbus.ReadError
	if errors.As(err, &read) {
		return fmt.Errorf("%s: %w", read.Request, read.Err)
	}
	return err
}

// partly says what ails a scan that has values for some channels only; empty
// when nothing does.
func partly(s *scan.Scan) string {
	first, n := -1, 0
	for i, q := range s.Quality {
		if q != scan.Good && q != scan.Absent {
			n++
			if first < 0 {
				first = i
			}
		}
	}
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("%d of %d channels without a good value, first %q (%s): check its entry in the map",
		n, len(s.Quality), s.Group.Channels[first].Name, s.Quality[first])
}

// failures returns each reason other than Absent that occurs in a scan, once.
func failures(s *scan.Scan) []scan.Reason {
	if s.Reason != scan.Good {
		return []scan.Reason{s.Reason}
	}
	var found []scan.Reason
	var seen [256]bool
	for _, q := range s.Quality {
		if q != scan.Good && q != scan.Absent && !seen[q] {
			seen[q] = true
			found = append(found, q)
		}
	}
	return found
}
