package frame

import "time"

// charBits is the length of one character on the wire in bits: start, eight
// data, parity (or a second stop), stop. ASCII's shorter characters are taken
// as long as this too, which only makes a wait longer.
const charBits = 11

// fixedGapAbove is the speed above which the silent times are fixed.
const fixedGapAbove = 19200

// CharTime returns how long one character takes at the given speed in bits per
// second, and 0 for a speed of 0 or below (a link without a baud rate).
func CharTime(baud int) time.Duration {
	if baud <= 0 {
		return 0
	}
	return time.Duration(charBits * int64(time.Second) / int64(baud))
}

// Gap returns t3.5, the silence that must lie between two RTU frames: 3.5
// characters of 11 bits up to 19,200 bits per second, 1.75 ms above (Modbus
// over Serial Line V1.02, 2.5.1.1). It is 0 for a speed of 0 or below.
func Gap(baud int) time.Duration {
	switch {
	case baud <= 0:
		return 0
	case baud > fixedGapAbove:
		return 1750 * time.Microsecond
	}
	return time.Duration(7 * charBits * int64(time.Second) / (2 * int64(baud)))
}

// TransmitTime returns how long n characters take at the given speed.
func TransmitTime(baud, n int) time.Duration {
	if baud <= 0 {
		return 0
	}
	return time.Duration(int64(n) * charBits * int64(time.Second) / int64(baud))
}
