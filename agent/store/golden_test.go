package store

import (
	"encoding/hex"
	"flag"
	"math"
	"os"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

var update = flag.Bool("update", false, "write the golden files anew")

// A small block, byte by byte. What it holds must be readable for good; that it
// is written so too keeps a change of the writer from going unnoticed.
func TestGoldenBlock(t *testing.T) {
	g := &scan.Group{ID: 3, Device: "controller", Name: "1s", PeriodMS: 1000, Channels: []scan.Channel{
		{Device: "controller", Name: "pressure", Kind: scan.KindInt}, {Device: "controller", Name: "loaded", Kind: scan.KindInt},
		{Device: "controller", Name: "heat", Kind: scan.KindFloat32}}}
	noise := []int64{0, 1, -1, 0, 2, 0, 0, -1, 1, 0, 1, -2, 0}
	var rows []*scan.Scan
	for i := range int64(80) {
		sc := &scan.Scan{Group: g, Seq: uint64(100 + i), Segment: 2, MonoMS: 5000 + 1000*i, WallMS: startMS + 1000*i, DurationMS: 20}
		if i == 40 {
			sc.Reason = scan.Timeout
		} else {
			tenths := float32(215+noise[(i*5)%13]) / 10
			sc.Values = []int64{1000 + i/2 + noise[i%13], i / 30 % 2, int64(math.Float32bits(tenths))}
		}
		rows = append(rows, sc)
	}
	var enc blockEncoder
	value := enc.encode(nil, 1, hourOf(startMS), rows)
	const name = "testdata/block2.hex"
	if *update {
		var text strings.Builder
		for b := value; len(b) > 0; b = b[min(48, len(b)):] {
			text.WriteString(hex.EncodeToString(b[:min(48, len(b))]) + "\n")
		}
		if err := os.WriteFile(name, []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	golden, err := hex.DecodeString(strings.Join(strings.Fields(string(text)), ""))
	if err != nil {
		t.Fatal(err)
	}
	_, dec := testEncoder(t)
	got, err := decodeBlock(dec, golden, map[uint32]*scan.Group{3: g})
	if err != nil || len(got) != len(rows) {
		t.Fatalf("%s: %d scans, want %d: %v", name, len(got), len(rows), err)
	}
	for i := range got {
		if !sameScan(&got[i], rows[i]) {
			t.Errorf("%s: scan %d: got %+v, want %+v", name, i, got[i], rows[i])
		}
	}
	if string(golden) != string(value) {
		t.Errorf("the block is written as\n%x\nand in %s it is\n%x\n(a writer that chooses better may change it: keep the old file as one that is read, and use -update)", value, name, golden)
	}
}
