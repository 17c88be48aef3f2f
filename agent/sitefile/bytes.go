package sitefile

import (
	"math"
	"strconv"
	"strings"
)

const bytesMend = `write it like "500 MB" or "2 GB"`

// bytes reads an amount of storage, in powers of ten as disks are sold.
func (s *section) bytes(key string, fallback int64) int64 {
	text := s.text(key, "")
	e := s.table.find(key)
	if e == nil || e.value.kind != kindText {
		return fallback
	}
	for unit, scale := range map[string]float64{"MB": 1e6, "GB": 1e9, "TB": 1e12} {
		number, ok := strings.CutSuffix(strings.TrimSpace(text), unit)
		if !ok {
			continue
		}
		n, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if err != nil || math.IsNaN(n) || n*scale < 1e6 || n*scale > 1e15 {
			break
		}
		return int64(n * scale)
	}
	s.problem(e.value.at, key, bytesMend, "%q is no amount of storage from 1 MB up", text)
	return fallback
}
