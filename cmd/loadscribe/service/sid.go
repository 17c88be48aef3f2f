package service

import (
	"crypto/sha1"
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf16"
)

// serviceSID is the security identifier of a service's virtual account, NT SERVICE\name:
// S-1-5-80 and the SHA-1 of the name in capitals, UTF-16, as five numbers (MS-DTYP 2.4.2.4
// names the prefix, MS-LSAT 3.1.1.1.2 how it is made; from memory). It is known before the service is.
func serviceSID(name string) string {
	var wide []byte
	for _, c := range utf16.Encode([]rune(strings.ToUpper(name))) {
		wide = binary.LittleEndian.AppendUint16(wide, c)
	}
	sum := sha1.Sum(wide)
	sid := "S-1-5-80"
	for i := 0; i < len(sum); i += 4 {
		sid += fmt.Sprintf("-%d", binary.LittleEndian.Uint32(sum[i:]))
	}
	return sid
}

// dataSDDL is who may do what in the data directory: the service, administrators and the
// system everything, and nobody else anything. P: nothing is inherited from above; OICI:
// files and folders below inherit it ([MS-DTYP] 2.5.1).
func dataSDDL(name string) string {
	return "D:P(A;OICI;FA;;;SY)(A;OICI;FA;;;BA)(A;OICI;FA;;;" + serviceSID(name) + ")"
}
