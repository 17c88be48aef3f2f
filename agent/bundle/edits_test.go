package bundle

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"math/rand/v2"
	"os"
	"testing"

	"loadscribe/agent/evidence"
	"loadscribe/agent/scan"
	"loadscribe/agent/transfer"
)

// trial is a bundle of some log, and what is needed to make it anew.
type trial struct {
	log   *madeLog
	o     Options
	file  []byte
	parts []part
}

// trialOf makes a bundle that the seed chooses: log, window, layout, channels,
// with a kept checkpoint or without.
func trialOf(t testing.TB, seed uint64) *trial {
	r := rand.New(rand.NewPCG(seed, 2))
	tr := &trial{log: madeStory(t, seed, 120_000)}
	from := startMS + r.Int64N(6*hourMS)
	tr.o = Options{FromMS: from, ToMS: from + hourMS/4 + r.Int64N(5*hourMS), Layout: []transfer.Layout{transfer.Long, transfer.Wide}[r.IntN(2)]}
	if r.IntN(3) == 0 {
		tr.o.Channels = []string{"meter.power", "controller.temperature"}[:1+r.IntN(2)]
	}
	if r.IntN(3) > 0 {
		tr.o.Kept = tr.log.checkpointAt(1 + r.Int64N(tr.log.Size()))
	}
	tr.file, _ = written(t, tr.log, tr.o)
	tr.parts = unpacked(t, tr.file)
	return tr
}

func unpacked(t testing.TB, b []byte) []part {
	t.Helper()
	c, err := openContainer(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	parts, err := partsOf(c)
	if err != nil {
		t.Fatal(err)
	}
	return parts
}

// long reports how often a test is to be run: n times, or many where
// LOADSCRIBE_LONG is set.
func long(n, many int) int {
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		return many
	}
	return n
}

// Issue 7: 1,000 clean bundles pass (LOADSCRIBE_LONG; else some).
func TestCleanBundlesPass(t *testing.T) {
	for seed := range long(20, 1000) {
		tr := trialOf(t, uint64(seed))
		if _, err := verified(t, tr.file, tr.o.Kept); err != nil {
			t.Fatalf("seed %d, %+v: %v", seed, tr.o, err)
		}
	}
}

// Issue 7: 10,000 edits of bundles are all found (LOADSCRIBE_LONG; else some
// hundreds): of the bytes, of what is in the container with its hash made right
// again, and by whoever has the machine's key, with a kept checkpoint given.
func TestEditsAreFound(t *testing.T) {
	if testing.Short() {
		t.Skip("slow under the race detector, which has other bundles; not under -short")
	}
	const perBundle = 25
	counts := map[string]int{}
	for n := range long(16, 400) {
		tr := trialOf(t, uint64(1000+n))
		r := rand.New(rand.NewPCG(uint64(n), 3))
		for counts["bytes"]+counts["parts"]+counts["forged"] < (n+1)*perBundle { // some edits change nothing
			switch r.IntN(5) {
			case 0, 1:
				tr.editBytes(t, r, counts)
			case 2, 3:
				tr.editParts(t, r, counts)
			case 4:
				tr.forge(t, r, counts)
			}
		}
		if t.Failed() {
			t.Fatalf("bundle %d: %+v", n, tr.o)
		}
	}
	t.Logf("edits: %v", counts)
	if counts["another honest bundle"] > counts["parts"]/10 {
		t.Errorf("too many edits came to nothing: %v", counts)
	}
}

// editBytes changes the file as a disk, a cable or a clumsy hand does.
func (tr *trial) editBytes(t *testing.T, r *rand.Rand, counts map[string]int) {
	b := bytes.Clone(tr.file)
	at, n := r.IntN(len(b)), 1+r.IntN(300)
	end := min(len(b), at+n)
	switch r.IntN(6) {
	case 0:
		b[at] ^= 1 << r.IntN(8)
	case 1:
		b = append(b[:at], b[end:]...)
	case 2:
		b = b[:at]
	case 3:
		b = append(b, b[at:end]...)
	case 4:
		b = append(b[:at:at], append(bytes.Clone(b[at:end]), b[at:]...)...)
	case 5: // two stretches change places
		to := r.IntN(len(b) - (end - at) + 1)
		x, y := bytes.Clone(b[at:end]), bytes.Clone(b[to:to+end-at])
		copy(b[at:], y)
		copy(b[to:], x)
	}
	if bytes.Equal(b, tr.file) {
		return
	}
	counts["bytes"]++
	if _, err := verified(t, b, nil); !errors.Is(err, ErrContainer) {
		t.Errorf("edited bytes near %d: %v", at, err)
	}
}

// editParts changes what is in the container, and packs it right again. What
// passes must be what an honest export of the window it names would have been.
func (tr *trial) editParts(t *testing.T, r *rand.Rand, counts map[string]int) {
	parts := clonedParts(tr.parts)
	i, j := r.IntN(len(parts)), r.IntN(len(parts))
	if r.IntN(2) == 0 { // the small ones that say most, too
		i = r.IntN(min(len(parts), 8))
	}
	p := &parts[i]
	switch r.IntN(8) {
	case 0, 1, 2:
		if len(p.content) > 0 {
			p.content[r.IntN(len(p.content))] ^= 1 << r.IntN(8)
		}
	case 3:
		parts = append(parts[:i], parts[i+1:]...)
	case 4:
		parts[i].content, parts[j].content = parts[j].content, parts[i].content
	case 5:
		parts[i], parts[j] = parts[j], parts[i]
	case 6:
		if n := len(p.content); n > 0 {
			at := r.IntN(n)
			p.content = append(p.content[:at], p.content[min(n, at+1+r.IntN(64)):]...)
		}
	case 7: // a line of the readings
		p = &parts[len(parts)-1]
		lines := bytes.SplitAfter(p.content, []byte("\r\n"))
		k := r.IntN(len(lines))
		lines = append(lines[:k], lines[k+1:]...)
		p.content = bytes.Join(lines, nil)
	}
	if sameContent(parts, tr.parts) {
		return
	}
	counts["parts"]++
	file := zipOf(t, parts)
	_, err := verified(t, file, nil)
	if err == nil && tr.honest(t, parts) {
		counts["another honest bundle"]++
		return
	}
	if !isBroken(err) {
		t.Errorf("edited part %d (%s), %d: %v", i, tr.parts[i].name, j, err)
	}
}

// honest reports whether an export of the window that the parts name, with the
// kept checkpoint that they hold, has these parts.
func (tr *trial) honest(t *testing.T, parts []part) bool {
	m, err := readManifest(parts[0].content)
	if err != nil {
		t.Fatal(err)
	}
	o := Options{FromMS: m.FromMS, ToMS: m.ToMS, Layout: m.Layout, Channels: m.Channels}
	if parts[2].name == nameKept {
		o.Kept = parts[2].content
	}
	b, _ := written(t, tr.log, o)
	return sameContent(unpacked(t, b), parts)
}

func clonedParts(parts []part) []part {
	out := make([]part, len(parts))
	for i := range parts {
		out[i] = part{parts[i].name, bytes.Clone(parts[i].content)}
	}
	return out
}

func sameContent(a, b []part) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].name != b[i].name || !bytes.Equal(a[i].content, b[i].content) {
			return false
		}
	}
	return true
}

// forge is what the owner of the machine can do: change a reading, and all that
// follows from it up to a checkpoint signed with the machine's own key. Without
// a kept checkpoint that passes, with one it does not.
func (tr *trial) forge(t *testing.T, r *rand.Rand, counts map[string]int) {
	parts := clonedParts(tr.parts)
	v := verifierOf(t, tr.file)
	if len(v.readings) == 0 {
		return // all of the window was deleted
	}
	b := v.readings[r.IntN(len(v.readings))]
	canonical, leafBytes := find(parts, blockName(b.leaf)), find(parts, nameLeaves)
	at := 0
	for i := range b.Groups { // some value of some channel
		g := &b.Groups[i]
		c := r.IntN(g.Channels)
		column := at + g.Rows*rowSize + c*g.Good*valueSize
		at += groupSize(g)
		if g.Good == 0 || i < len(b.Groups)-1 && r.IntN(2) == 0 {
			continue
		}
		values := canonical[column : column+g.Good*valueSize]
		values[8*r.IntN(g.Good)] ^= 1 << r.IntN(7)
		sum := sha256.Sum256(values)
		old := g.Hashes[1+c]
		copy(leafBytes[bytes.Index(leafBytes, old[:]):], sum[:])
		break
	}
	if bytes.Equal(leafBytes, find(tr.parts, nameLeaves)) {
		return
	}
	dropKept(&parts)
	tr.resign(t, parts)
	kept := tr.log.checkpointAt(v.checkpoint.Size - r.Int64N(2)*r.Int64N(v.checkpoint.Size-b.leaf))
	counts["forged"]++
	file := zipOf(t, parts)
	if _, err := verified(t, file, nil); err != nil {
		t.Errorf("a forgery without a kept checkpoint is to pass, so that this test can fail: %v", err)
	}
	if _, err := verified(t, file, kept); !errors.Is(err, ErrKept) && !errors.Is(err, ErrNotReached) {
		t.Errorf("a forged reading of leaf %d passes a kept checkpoint: %v", b.leaf, err)
	}
}

// verifierOf is a verifier of a bundle that has run up to the readings.
func verifierOf(t *testing.T, b []byte) *verifier {
	t.Helper()
	box, err := openContainer(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	v := &verifier{box: box, verdict: &Verdict{}}
	for _, step := range []func() error{v.sortParts, v.readSmall, v.checkShown, v.checkState, v.chooseBlocks} {
		if err := step(); err != nil {
			t.Fatal(err)
		}
	}
	return v
}

func find(parts []part, name string) []byte {
	for i := range parts {
		if parts[i].name == name {
			return parts[i].content
		}
	}
	return nil
}

func dropKept(parts *[]part) {
	var left []part
	for _, p := range *parts {
		if p.name != nameKept && p.name != nameConsistency {
			left = append(left, p)
		}
	}
	*parts = left
}

// resign derives the CSV from changed blocks and signs the root that changed
// leaves have, with the machine's own key.
func (tr *trial) resign(t *testing.T, parts []part) {
	t.Helper()
	v := verifierOf(t, zipOf(t, parts))
	root, err := evidence.Root(v.checkpoint.Size, v.leaves.hashes, v.proof)
	if err != nil {
		t.Fatal(err)
	}
	c := v.checkpoint
	c.Root = root
	for i := range parts {
		switch parts[i].name {
		case nameCheckpoint:
			if parts[i].content, err = c.Sign(tr.log.key); err != nil {
				t.Fatal(err)
			}
		case nameReadings:
			var out bytes.Buffer
			if err := v.derive(t.Context(), &out, func(*scan.Scan) {}); err != nil {
				t.Fatal(err)
			}
			parts[i].content = out.Bytes()
		}
	}
}
