package sitefile

import "time"

const (
	// defaultListenFirst spans two requests of a master that asks once a second.
	defaultListenFirst = 2 * time.Second
	listenFirstMend    = `write it like "2s", longer than the other master's pauses; "0s" turns it off`
)

// readListening reads whether a line is only listened to, and for how long a
// polled one is listened to before it is asked. Modbus on a serial bus alone
// can have another master.
func (l *loader) readListening(s *section, line *Line) {
	line.Listen = s.boolean("listen")
	first := s.entry("listen_first")
	switch {
	case line.Kind == "":
		return
	case line.Listen && line.Kind != ModbusRTU:
		mend := `remove it, or write kind = "modbus-rtu"`
		if line.Kind == Text {
			mend = `remove it; write mode = "listen" in the map of a device that prints by itself`
		}
		s.problem(s.table.find("listen").at, "listen", mend, "only lines of kind %q can be listened to, and this line is %q", ModbusRTU, line.Kind)
		line.Listen = false
	case line.Listen:
		for _, key := range []string{"listen_first", "timeout", "turnaround", "echo"} {
			if e := s.table.find(key); e != nil {
				s.warn(e.at, key, "remove it", "nothing is sent on a line with listen = true, so %q has no effect", key)
			}
		}
	case !line.Kind.isSerial():
		if first != nil {
			s.problem(first.at, "listen_first", "remove it, or change the kind",
				`"listen_first" is for modbus-rtu and modbus-ascii lines, and this line is %q`, line.Kind)
		}
	default:
		line.ListenFirst = s.duration("listen_first", defaultListenFirst, 0, listenFirstMend)
		if line.ListenFirst > longestWait {
			s.problem(first.value.at, "listen_first", listenFirstMend, "%v is longer than %v", line.ListenFirst, longestWait)
		}
		if first != nil && line.ListenFirst == 0 {
			s.warn(first.value.at, "listen_first", `remove it unless you know that nobody else asks on this line`,
				"the line is polled without listening first: a master that is there already will be disturbed")
		}
	}
}
