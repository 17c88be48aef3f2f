package agent

import (
	"fmt"
	"math"

	"loadscribe/agent/scan"
)

// mendOf is what to do about why a device was not read; what Hook-up says of a line
// that fails now goes further.
func mendOf(why string) string {
	switch why {
	case scan.AgentStopped.String(), "nothing was recorded", "":
		return "loadscribe did not run, or its computer was off or asleep: have it start with the computer, and keep the computer on."
	case scan.Timeout.String():
		return "The device did not answer: it may have been without power. If it was on, look at cable, unit id and serial settings on Hook-up."
	case scan.BadChecksum.String():
		return "Answers came damaged: look at the shield, the termination at both ends, and drives whose cables run beside this one."
	case scan.PortGone.String():
		return "The port was lost: an adapter pulled out or renamed, or the network. Fix the plug, give the port a name that stays, look at the switch."
	case scan.Exception.String(), scan.WrongAnswer.String():
		return "The device refused or answered something else: check the map's addresses with loadscribe probe."
	case scan.LineBusy.String():
		return "Another master is on the line: listen instead of asking (listen = true), or give the devices a line of their own."
	case scan.StartMismatch.String():
		return "The map does not fit the device: check it with loadscribe probe."
	case scan.Dropped.String():
		return "Readings came and could not be stored: look at the disk of the data directory."
	case scan.SensorFault.String(), scan.Implausible.String(), scan.Absent.String():
		return "The device answered without a value that can be: check the sensor, its wiring and the channel's entry in the map."
	}
	return "See Hook-up for how the line stands."
}

// mostlyWhy is the reason for most of a device's time without readings; short misses
// that are no gaps leave none.
func mostlyWhy(gaps []MissedGap, device string) (why string) {
	lasted := map[string]float64{}
	for i := range gaps {
		if g := &gaps[i]; g.Device == device {
			if lasted[g.Reason] += g.ForS; lasted[g.Reason] > lasted[why] {
				why = g.Reason
			}
		}
	}
	if why == "" {
		return "short misses" // no reason of a gap
	}
	return why
}

func timesOf(n int64) string {
	switch n {
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return fmt.Sprintf("%d times", n)
}

func gapsOf(n int64) string {
	if n == 1 {
		return "one gap"
	}
	return fmt.Sprintf("%d gaps", n)
}

// floorPercent never says 100 of what is less.
func floorPercent(share float64) string { return fmt.Sprintf("%.1f", math.Floor(share*1000)/10) }
