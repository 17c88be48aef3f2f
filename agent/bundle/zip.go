package bundle

import (
	"encoding/binary"
	"fmt"
	"math"
)

// The container is a zip (PKWARE APPNOTE, sections 4.3.7, 4.3.12, 4.3.16 and
// 4.5.3, from memory) in one form only: every field follows from an entry's
// name, sizes, checksum and place. Writer and reader make the headers with the
// same functions; the reader compares, so that no bit of a header is free.
const (
	localSize   = 30
	centralSize = 46
	endSize     = 22
	commentSize = 64 // SHA-256 in hex
	zip64Size   = 4 + 16

	// maxEntries and maxContainer keep clear of the limits behind which a zip
	// needs further records.
	maxEntries   = 65_000
	maxContainer = math.MaxUint32 - 1
	maxNameLen   = 128

	zipDeflate  = 8
	zipDate     = 0x0021           // 1980-01-01, the least there is
	zipMadeBy   = 3<<8 | 45        // Unix, so that the mode below counts
	zipMode     = (0o100644) << 16 // an ordinary file
	all32       = math.MaxUint32
	zipNeeds    = 20
	zip64Needs  = 45
	localMagic  = 0x04034b50
	headMagic   = 0x02014b50
	endMagic    = 0x06054b50
	zip64Header = 1
)

// entry is one file of the container.
type entry struct {
	name         string
	crc          uint32 // IEEE, of the content
	packed, size int64
	offset       int64 // of its local header
}

// wide reports whether the entry has 64 bit sizes. The readings have them
// always, since their length is not known when their header is begun.
func (e *entry) wide() bool { return e.name == nameReadings }

func (e *entry) localLen() int64 {
	n := int64(localSize + len(e.name))
	if e.wide() {
		n += zip64Size
	}
	return n
}

// end is the offset behind the entry's data.
func (e *entry) end() int64 { return e.offset + e.localLen() + e.packed }

// appendCommon appends what local and central header share, from the version
// needed to the length of the extra field.
func (e *entry) appendCommon(b []byte) []byte {
	needs, packed, size, extra := uint16(zipNeeds), uint32(e.packed), uint32(e.size), uint16(0)
	if e.wide() {
		needs, packed, size, extra = zip64Needs, all32, all32, zip64Size
	}
	b = binary.LittleEndian.AppendUint16(b, needs)
	b = binary.LittleEndian.AppendUint16(b, 0) // flags
	b = binary.LittleEndian.AppendUint16(b, zipDeflate)
	b = binary.LittleEndian.AppendUint16(b, 0) // time
	b = binary.LittleEndian.AppendUint16(b, zipDate)
	b = binary.LittleEndian.AppendUint32(b, e.crc)
	b = binary.LittleEndian.AppendUint32(b, packed)
	b = binary.LittleEndian.AppendUint32(b, size)
	b = binary.LittleEndian.AppendUint16(b, uint16(len(e.name)))
	return binary.LittleEndian.AppendUint16(b, extra)
}

func (e *entry) appendExtra(b []byte) []byte {
	if !e.wide() {
		return b
	}
	b = binary.LittleEndian.AppendUint16(b, zip64Header)
	b = binary.LittleEndian.AppendUint16(b, zip64Size-4)
	b = binary.LittleEndian.AppendUint64(b, uint64(e.size))
	return binary.LittleEndian.AppendUint64(b, uint64(e.packed))
}

// appendLocal appends the header before the entry's data.
func (e *entry) appendLocal(b []byte) []byte {
	b = binary.LittleEndian.AppendUint32(b, localMagic)
	b = append(e.appendCommon(b), e.name...)
	return e.appendExtra(b)
}

// appendCentral appends the entry's line of the directory.
func (e *entry) appendCentral(b []byte) []byte {
	b = binary.LittleEndian.AppendUint32(b, headMagic)
	b = binary.LittleEndian.AppendUint16(b, zipMadeBy)
	b = e.appendCommon(b)
	b = append(b, 0, 0, 0, 0, 0, 0) // no comment, disk 0, internal attributes 0
	b = binary.LittleEndian.AppendUint32(b, zipMode)
	b = binary.LittleEndian.AppendUint32(b, uint32(e.offset))
	b = append(b, e.name...)
	return e.appendExtra(b)
}

// appendEnd appends the end record; comment is the hash of all before it.
func appendEnd(b []byte, entries int, directory, offset int64, comment string) []byte {
	b = binary.LittleEndian.AppendUint32(b, endMagic)
	b = append(b, 0, 0, 0, 0) // disk 0, directory on disk 0
	b = binary.LittleEndian.AppendUint16(b, uint16(entries))
	b = binary.LittleEndian.AppendUint16(b, uint16(entries))
	b = binary.LittleEndian.AppendUint32(b, uint32(directory))
	b = binary.LittleEndian.AppendUint32(b, uint32(offset))
	b = binary.LittleEndian.AppendUint16(b, uint16(len(comment)))
	return append(b, comment...)
}

// readCentral takes one entry off the directory; rest is what follows it. Only
// the fields that vary are read: the caller compares the whole.
func readCentral(b []byte) (e entry, rest []byte, err error) {
	bad := func(what string) (entry, []byte, error) {
		return entry{}, nil, fmt.Errorf("%w: the zip's directory: %s", ErrContainer, what)
	}
	if len(b) < centralSize {
		return bad("it is cut off")
	}
	nameLen := int(binary.LittleEndian.Uint16(b[28:]))
	if nameLen == 0 || nameLen > maxNameLen || len(b) < centralSize+nameLen {
		return bad(fmt.Sprintf("a name of %d bytes", nameLen))
	}
	e = entry{
		name: string(b[centralSize : centralSize+nameLen]),
		crc:  binary.LittleEndian.Uint32(b[16:]), packed: int64(binary.LittleEndian.Uint32(b[20:])),
		size: int64(binary.LittleEndian.Uint32(b[24:])), offset: int64(binary.LittleEndian.Uint32(b[42:])),
	}
	n := centralSize + nameLen
	if e.wide() {
		if len(b) < n+zip64Size {
			return bad("it is cut off")
		}
		e.size = int64(binary.LittleEndian.Uint64(b[n+4:]))
		e.packed = int64(binary.LittleEndian.Uint64(b[n+12:]))
		n += zip64Size
	}
	if e.size < 0 || e.packed < 0 || e.packed > maxContainer {
		return bad(fmt.Sprintf("%q has impossible sizes", e.name))
	}
	if string(e.appendCentral(nil)) != string(b[:n]) {
		return bad(fmt.Sprintf("the line of %q is not in the one form that a bundle has", e.name))
	}
	return e, b[n:], nil
}
