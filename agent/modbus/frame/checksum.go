package frame

// crcTable holds the CRC of each byte: polynomial 0xA001, bits reflected.
var crcTable = makeCRCTable()

func makeCRCTable() (table [256]uint16) {
	for i := range table {
		crc := uint16(i)
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
		table[i] = crc
	}
	return table
}

// CRC16 returns the CRC of RTU frames over b: initial value 0xFFFF, no final
// XOR (Modbus over Serial Line V1.02, 2.5.1.2). On the wire the low byte goes
// first.
func CRC16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, v := range b {
		crc = crc>>8 ^ crcTable[byte(crc)^v]
	}
	return crc
}

// LRC returns the check byte of ASCII frames over b, the bytes before they are
// written in hexadecimal: the two's complement of their sum (Modbus over
// Serial Line V1.02, 2.5.2.2).
func LRC(b []byte) byte {
	var sum byte
	for _, v := range b {
		sum += v
	}
	return -sum
}
