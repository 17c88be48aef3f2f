package remote

import (
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"time"
)

// Files of what a receiver refused: the newer and the one before.
const (
	asideFile  = "refused.jsonl"
	asideOlder = "refused-before.jsonl"
	mostAside  = 4 << 20 // bytes of the newer one, about; the two together are bounded
)

// refusal is a part of a batch that will not be sent again, and why.
type refusal struct {
	series []Series
	answer answer
}

// asideLine is a series of it in the file.
type asideLine struct {
	At      string            `json:"at"` // when it was refused
	Reason  string            `json:"reason"`
	Reply   string            `json:"reply"`
	Labels  map[string]string `json:"labels"`
	Samples [][2]string       `json:"samples"` // time and value
}

// setAside appends what was refused to the file, and syncs it: all of it, or nothing.
func setAside(dir string, all []refusal, now time.Time) error {
	var text []byte
	for _, r := range all {
		for _, s := range r.series {
			data, err := json.Marshal(lineOf(s, r.answer, now))
			if err != nil {
				return err
			}
			text = append(append(text, data...), '\n')
		}
	}
	path := filepath.Join(dir, asideFile)
	if info, err := os.Stat(path); err == nil && info.Size() > mostAside {
		if err := os.Rename(path, filepath.Join(dir, asideOlder)); err != nil {
			return err
		}
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	before, err := f.Seek(0, io.SeekEnd)
	if err == nil {
		if _, err = f.Write(text); err != nil {
			err = errors.Join(err, f.Truncate(before)) // no half line
		}
	}
	return errors.Join(err, f.Sync(), f.Close())
}

func lineOf(s Series, a answer, now time.Time) asideLine {
	line := asideLine{At: now.UTC().Format(time.RFC3339), Reason: a.reason, Reply: a.said, Labels: map[string]string{}}
	for _, l := range s.Labels {
		line.Labels[l.Name] = l.Value
	}
	for _, v := range s.Samples {
		line.Samples = append(line.Samples, [2]string{time.UnixMilli(v.TimeMS).UTC().Format("2006-01-02T15:04:05.000Z"), valueText(v.Value)})
	}
	return line
}

// valueText is a value for people that can be read back; the mark of a series' end
// has a name.
func valueText(v float64) string {
	if math.Float64bits(v) == StaleBits {
		return "stale"
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}
