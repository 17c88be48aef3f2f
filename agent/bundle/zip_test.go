package bundle

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"loadscribe/testdata/peers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// memory is a File.
type memory struct{ b []byte }

func (m *memory) ReadAt(p []byte, at int64) (int, error) { return bytes.NewReader(m.b).ReadAt(p, at) }

func (m *memory) WriteAt(p []byte, at int64) (int, error) {
	if more := int(at) + len(p) - len(m.b); more > 0 {
		m.b = append(m.b, make([]byte, more)...)
	}
	return copy(m.b[at:], p), nil
}

func someParts() []part {
	r := rand.New(rand.NewPCG(7, 7))
	noise := make([]byte, 300_000)
	for i := range noise {
		noise[i] = byte(r.Uint32())
	}
	return []part{
		{nameManifest, []byte("{}\n")}, {nameProof, nil}, {prefixBlocks + "17" + suffixBlock, noise},
		{nameReadings, bytes.Repeat([]byte("2026-03-02T12:00:00.000Z,meter,power,36.8,kW,good\r\n"), 5000)},
	}
}

func zipOf(t testing.TB, parts []part) []byte {
	t.Helper()
	var m memory
	z := newZipWriter(&m)
	for _, p := range parts {
		if err := z.add(p.name, p.content); err != nil {
			t.Fatal(err)
		}
	}
	n, err := z.finish()
	if err != nil {
		t.Fatal(err)
	}
	if n != int64(len(m.b)) {
		t.Fatalf("finish says %d bytes, written are %d", n, len(m.b))
	}
	return m.b
}

func partsOf(c *container) ([]part, error) {
	var parts []part
	for i := range c.entries {
		b, err := c.read(&c.entries[i], 1<<24)
		if err != nil {
			return nil, err
		}
		parts = append(parts, part{c.entries[i].name, b})
	}
	return parts, nil
}

func sameParts(t *testing.T, got, want []part) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d parts, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i].name != want[i].name || !bytes.Equal(got[i].content, want[i].content) {
			t.Errorf("part %d is %s with %d bytes, want %s with %d", i, got[i].name, len(got[i].content), want[i].name, len(want[i].content))
		}
	}
}

func TestContainerRoundTrip(t *testing.T) {
	want := someParts()
	b := zipOf(t, want)
	c, err := openContainer(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	got, err := partsOf(c)
	if err != nil {
		t.Fatal(err)
	}
	sameParts(t, got, want)
	if again := zipOf(t, want); !bytes.Equal(again, b) {
		t.Error("the same parts make two different containers")
	}
}

// Go's own zip reader shares no code with ours.
func TestArchiveZipReadsIt(t *testing.T) {
	want := someParts()
	b := zipOf(t, want)
	r, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	var got []part
	for _, f := range r.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, part{f.Name, content})
	}
	sameParts(t, got, want)
}

// unzip and Python read and test it, as the people who get a bundle will.
func TestOtherToolsReadIt(t *testing.T) {
	file := filepath.Join(t.TempDir(), "a.zip")
	if err := os.WriteFile(file, zipOf(t, someParts()), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tool := range [][]string{
		{"unzip", "-tqq", file},
		{"python3", "-c", "import sys, zipfile; z = zipfile.ZipFile(sys.argv[1]); assert z.testzip() is None and len(z.namelist()) == 4 and len(z.comment) == 64", file},
	} {
		t.Run(tool[0], func(t *testing.T) {
			path, err := exec.LookPath(tool[0])
			if err != nil {
				peers.Missing(t, "%s is not installed", tool[0])
			}
			if out, err := exec.Command(path, tool[1:]...).CombinedOutput(); err != nil {
				t.Errorf("%v: %s", err, out)
			}
		})
	}
}

// No bit is free: each flip of the headers, and some of the data, is found
// by the container alone.
func TestEveryBitCounts(t *testing.T) {
	parts := someParts()
	parts[2].content = parts[2].content[:200]
	parts[3].content = parts[3].content[:400]
	b := zipOf(t, parts)
	for i := range b {
		for bit := range 8 {
			b[i] ^= 1 << bit
			if _, err := openContainer(bytes.NewReader(b), int64(len(b))); !errors.Is(err, ErrContainer) {
				t.Fatalf("byte %d bit %d flipped: %v", i, bit, err)
			}
			b[i] ^= 1 << bit
		}
		if _, err := openContainer(bytes.NewReader(b[:i]), int64(i)); !errors.Is(err, ErrContainer) {
			t.Fatalf("cut to %d bytes: %v", i, err)
		}
	}
}

// A container whose comment is right but whose form is another.
func TestOneFormOnly(t *testing.T) {
	resign := func(b []byte) []byte {
		n := len(b) - endSize - commentSize
		sum, err := hashOf(bytes.NewReader(b), int64(n))
		if err != nil {
			t.Fatal(err)
		}
		return append(b[:len(b)-commentSize], sum...)
	}
	whole := zipOf(t, someParts())
	plain := func() []byte { return bytes.Clone(whole) }
	var b []byte
	for i := range localSize + len(nameManifest) { // the first header
		b = plain()
		b[i] ^= 1
		b = resign(b)
		if _, err := openContainer(bytes.NewReader(b), int64(len(b))); !errors.Is(err, ErrContainer) {
			t.Errorf("byte %d of the first header changed, hash renewed: %v", i, err)
		}
	}
	for i := len(whole) - endSize - commentSize - 200; i < len(whole)-commentSize; i++ { // directory, end record
		b = plain()
		b[i] ^= 1
		b = resign(b)
		c, err := openContainer(bytes.NewReader(b), int64(len(b)))
		if err == nil {
			_, err = partsOf(c)
		}
		if !errors.Is(err, ErrContainer) {
			t.Errorf("byte %d of the directory changed, hash renewed: %v", i, err)
		}
	}
}

func TestContentIsHeldToItsHeader(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*entry)
		want   string
	}{
		{"a size too large", func(e *entry) { e.size += 5 }, "shorter"},
		{"a size too small", func(e *entry) { e.size-- }, "longer"},
		{"a bomb's size", func(e *entry) { e.size = 1 << 23 }, "cannot hold"},
		{"beyond what it can have", func(e *entry) { e.size = 1 << 30 }, "more than"},
		{"another checksum", func(e *entry) { e.crc ^= 1 }, "checksum"},
		{"cut data", func(e *entry) { e.packed-- }, "unpacked"},
	} {
		b := zipOf(t, []part{{nameManifest, []byte(strings.Repeat("some text ", 20))}})
		box, err := openContainer(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			t.Fatal(err)
		}
		c.change(&box.entries[0])
		_, err = box.read(&box.entries[0], 1<<24)
		if !errors.Is(err, ErrContainer) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestTooManyParts(t *testing.T) {
	z := newZipWriter(&memory{})
	z.entries = make([]entry, maxEntries)
	if err := z.begin("x"); !errors.Is(err, ErrTooLarge) {
		t.Errorf("one part too many: %v", err)
	}
	if _, err := z.finish(); !errors.Is(err, ErrTooLarge) {
		t.Errorf("the first error is forgotten: %v", err)
	}
}

// TestPackedAgain: who unpacks a bundle and packs it again with a zip tool is
// told that, not that the file is damaged.
func TestPackedAgain(t *testing.T) {
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	f, err := w.Create(nameReadings)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(bytes.Repeat([]byte("time,device\r\n"), 40)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = openContainer(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if !errors.Is(err, ErrContainer) || !strings.Contains(err.Error(), "packed by another program") {
		t.Errorf("got %v", err)
	}
}
