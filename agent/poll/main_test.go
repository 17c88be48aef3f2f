package poll

import (
	"testing"
	"time"

	"go.uber.org/goleak"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// mapOf makes a device with a register map of channels, all of one period, and
// its group.
func mapOf(bridge int, period time.Duration, channels ...sitefile.MapChannel) (*sitefile.Device, *scan.Group) {
	for i := range channels {
		channels[i].Every = period
	}
	d := sitefile.Device{Name: "controller", Line: "bus", UnitID: 1, MapPath: "maps/a.toml", Every: period,
		Map: &sitefile.RegisterMap{Protocol: "modbus", Bridge: bridge, Channels: channels}}
	return &d, sitefile.Groups(&sitefile.Site{Devices: []sitefile.Device{d}})[0]
}

// ch makes a map channel without scale; bits and registers alike.
func ch(name string, table sitefile.Table, address int, typ string) sitefile.MapChannel {
	return sitefile.MapChannel{Name: name, Table: table, Address: uint16(address), Type: typ, Bit: -1, Scale: 1}
}
