package store

import (
	"encoding/binary"
	"errors"
	"runtime"
	"testing"
)

// A damaged pack with a right checksum must not cost memory by the hundred MB.
func TestPackSizesAreBounded(t *testing.T) {
	alone(t)
	for _, tt := range []struct {
		name                    string
		groups, channels, bytes uint64 // bytes: of a channel of 60 cells
	}{
		{"channels beyond all groups", 1, 20_000, 12_000},
		{"a frame beyond all packs", 5, 4000, 12_000},
		{"cells of nothing", 1, 4000, 1},
	} {
		enc := testZstd(t)
		_, dec := testEncoder(t)
		b := binary.AppendUvarint(appendInt(nil, 0), tt.groups)
		for range tt.groups {
			b = binary.AppendUvarint(binary.AppendUvarint(b, 1), tt.channels)
			for range tt.channels {
				b = binary.AppendUvarint(append(b, 3), 60)
				b = binary.AppendUvarint(b, tt.bytes)
			}
		}
		size := tt.groups * tt.channels * tt.bytes
		b = enc.EncodeAll(make([]byte, size), binary.AppendUvarint(b, size))
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, _, err := readPack(1, b, levels[0], dec, everyChannel)
		runtime.ReadMemStats(&after)
		if used := (after.TotalAlloc - before.TotalAlloc) >> 20; !errors.Is(err, ErrDamaged) || used > 8 {
			t.Errorf("%s: %d bytes cost %d MB: %v; want ErrDamaged and few", tt.name, len(b), used, err)
		}
	}
}
