package modbus

import (
	"fmt"

	"go.bug.st/serial"
)

// SerialPorts lists the serial ports that this computer has, under the names
// that OpenSerial takes. Whether one can be opened is not said.
func SerialPorts() ([]string, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	return names, nil
}
