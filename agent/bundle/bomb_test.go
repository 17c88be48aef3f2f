package bundle

import (
	"bytes"
	"context"
	"errors"
	"runtime"
	"testing"

	"loadscribe/agent/evidence"
)

// A small file that unpacks to a large one costs neither memory nor time.
func TestBombs(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	l := madeStory(t, 3, 60_000)
	b, _ := written(t, l, Options{FromMS: startMS, ToMS: startMS + 2*hourMS})
	const large = 64 << 20
	for _, name := range []string{nameReadings, nameLeaves, nameGroups, nameProof, nameManifest, nameCheckpoint, "blocks"} {
		parts := unpacked(t, b)
		for i := range parts {
			if parts[i].name == name || name == "blocks" && parts[i].name[:6] == name {
				parts[i].content = append(parts[i].content, make([]byte, large)...)
				break
			}
		}
		file := zipOf(t, parts)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := verified(t, file, nil)
		runtime.ReadMemStats(&after)
		most := uint64(16 << 20)
		if name == nameLeaves || name == nameGroups { // read whole, up to a bound
			most += large
		}
		if took := after.TotalAlloc - before.TotalAlloc; !isBroken(err) || took > most {
			t.Errorf("%s with 64 MB of nothing behind it, in a file of %d bytes: %v, after %d MB", name, len(file), err, took>>20)
		}
	}
}

func TestVerifyGivesUp(t *testing.T) {
	l := madeStory(t, 3, 60_000)
	b, _ := written(t, l, Options{FromMS: startMS, ToMS: startMS + 2*hourMS})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Verify(ctx, bytes.NewReader(b), int64(len(b)), VerifyOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("verify under a context that has ended: %v", err)
	}
	if _, err := Write(ctx, &memory{}, l, Options{FromMS: startMS, ToMS: startMS + 2*hourMS}); !errors.Is(err, context.Canceled) {
		t.Errorf("write under a context that has ended: %v", err)
	}
}

// FuzzVerify puts anything in the place of a part of a good bundle, signs what
// comes out of it, and verifies that; a place behind all parts stands for the
// whole file. Verify may accept or refuse, and must do so without a panic.
func FuzzVerify(f *testing.F) {
	l := madeStory(f, 4, 600_000)
	o := Options{FromMS: startMS + hourMS, ToMS: startMS + 2*hourMS, Kept: l.checkpointAt(5)}
	b, _ := written(f, l, o)
	parts := unpacked(f, b)
	for i := range parts {
		f.Add(uint8(i), parts[i].content)
	}
	f.Add(uint8(255), b)
	f.Fuzz(func(t *testing.T, place uint8, content []byte) {
		if int(place) >= len(parts) {
			_, _ = verified(t, content, nil)
			return
		}
		changed := clonedParts(parts)
		changed[place].content = content
		signRoot(changed, l.key)
		file := zipOf(t, changed)
		if _, err := verified(t, file, o.Kept); err != nil && !isBroken(err) {
			t.Errorf("part %s: %v", parts[place].name, err)
		}
	})
}

// signRoot signs what root the leaves have, where they have one.
func signRoot(parts []part, key *evidence.Key) {
	c, err := evidence.ParseCheckpoint(find(parts, nameCheckpoint))
	if err != nil {
		return
	}
	proof, err := readHashes(nameProof, find(parts, nameProof))
	if err != nil {
		return
	}
	shown, err := readLeaves(find(parts, nameLeaves), c.Size)
	if err != nil {
		return
	}
	if c.Root, err = evidence.Root(c.Size, shown.hashes, proof); err != nil {
		return
	}
	for i := range parts {
		if parts[i].name == nameCheckpoint {
			if text, err := c.Sign(key); err == nil {
				parts[i].content = text
			}
		}
	}
}
