package bundle

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"

	"loadscribe/agent/evidence"
)

// Replay: an older bundle is valid in itself, and a newer kept checkpoint shows
// it; so does one of the log that was rewritten after a cut.
func TestReplayAndTruncation(t *testing.T) {
	l := madeStory(t, 5, 60_000)
	o := Options{FromMS: startMS + 4*hourMS, ToMS: startMS + 5*hourMS}
	old, _ := written(t, l, o)
	oldCheckpoint := l.Checkpoint()
	r := rand.New(rand.NewPCG(1, 1))
	l.hour(r, 4, madeGroups(60_000)...)
	l.seal()
	newCheckpoint := l.Checkpoint()
	fresh, _ := written(t, l, o)
	withKept := o
	withKept.Kept = l.checkpointAt(3)
	reaching, _ := written(t, l, withKept)
	for _, c := range []struct {
		name       string
		file, kept []byte
		want       error
		how        string
	}{
		{"older bundle, no checkpoint", old, nil, nil, ""},
		{"older bundle, its own checkpoint", old, oldCheckpoint, nil, "same"},
		{"older bundle, newer checkpoint", old, newCheckpoint, ErrKept, ""},
		{"newer bundle, newer checkpoint", fresh, newCheckpoint, nil, "same"},
		{"newer bundle, checkpoint where nothing reaches", fresh, l.checkpointAt(3), ErrNotReached, ""},
		{"newer bundle that was made for it", reaching, l.checkpointAt(3), nil, "continued"},
		{"checkpoint of the first leaf", reaching, l.checkpointAt(1), nil, "continued"},
		{"checkpoint of another machine", fresh, otherCheckpoint(t), ErrKept, ""},
		{"no checkpoint but rubbish", fresh, []byte("rubbish"), ErrKept, ""},
	} {
		d, err := verified(t, c.file, c.kept)
		if !errors.Is(err, c.want) || c.want == nil && err != nil {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
			continue
		}
		if d == nil || d.Kept != c.how {
			t.Errorf("%s: verdict %+v, want kept %q", c.name, d, c.how)
		}
	}
	if _, err := Write(t.Context(), &memory{}, madeStory(t, 5, 60_000), Options{FromMS: o.FromMS, ToMS: o.ToMS, Kept: newCheckpoint}); !errors.Is(err, ErrKept) {
		t.Errorf("a bundle for a checkpoint of a longer log: %v", err)
	}
}

// otherCheckpoint is one of another log.
func otherCheckpoint(t *testing.T) []byte {
	l := newMadeLog(t)
	text, err := evidence.Checkpoint{Origin: strings.Replace(madeOrigin, "0", "f", 1), Size: 1, Root: evidence.LeafHash(l.leaves[0])}.Sign(l.key)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// Edges: what a bundle leaves out at the ends of its stretch is noticed even
// where all else is made to fit.
func TestCutEdgesAreFound(t *testing.T) {
	l := madeStory(t, 9, 60_000)
	whole := Options{FromMS: startMS + hourMS, ToMS: startMS + 3*hourMS}
	for _, c := range []struct {
		name   string
		change func(m *manifest)
	}{
		{"the last seal left out", func(m *manifest) { m.EndLeaf = lastSealBefore(l, m.EndLeaf) }},
		{"the first seal left out", func(m *manifest) { m.FirstLeaf = sealAfter(l, m.FirstLeaf) }},
		{"a window that reaches further than what is shown", func(m *manifest) { m.ToMS += 10 * hourMS }},
		{"a window that begins earlier than what is shown", func(m *manifest) { m.FromMS -= hourMS }},
	} {
		b, _ := written(t, l, whole)
		parts := unpacked(t, b)
		m, err := readManifest(parts[0].content)
		if err != nil {
			t.Fatal(err)
		}
		c.change(m)
		if parts[0].content, err = m.bytes(); err != nil {
			t.Fatal(err)
		}
		if _, err := verified(t, zipOf(t, parts), nil); !errors.Is(err, ErrBroken) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func lastSealBefore(l *madeLog, n int64) int64 {
	for n--; l.leaves[n][0] != 3; n-- {
	}
	return n
}

func sealAfter(l *madeLog, n int64) int64 {
	for n++; l.leaves[n][0] != 3; n++ {
	}
	return n
}

// A number of a leaf or a length beyond all bounds costs no memory.
func TestHugeNumbers(t *testing.T) {
	b := binary.LittleEndian.AppendUint64(nil, 1<<63)
	b = binary.LittleEndian.AppendUint32(b, 1<<31)
	for _, c := range [][]byte{b, b[:5], append(bytes.Repeat([]byte{0}, 8), 255, 255, 255, 255)} {
		if _, err := readLeaves(c, 100); !errors.Is(err, ErrBroken) {
			t.Errorf("%x: %v", c, err)
		}
	}
	if err := readRecords(nameGroups, []byte{255, 255, 255, 255, 255, 255, 255, 255, 255, 1}, func([]byte) error { return nil }); !errors.Is(err, ErrBroken) {
		t.Errorf("a record of 2^63 bytes: %v", err)
	}
}
