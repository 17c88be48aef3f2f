package evidence

import (
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// The reference tree of Certificate Transparency: leaves, roots of its first
// 1 to 8 leaves, audit paths and consistency proofs as published in
// cpp/merkletree/merkle_tree_test.cc of google/certificate-transparency
// (kInputs, kSHA256Roots) and testonly/reference_test.go of
// transparency-dev/merkle. RFC 6962 itself has no figures.
var (
	refLeaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	refRoots  = []string{
		"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
	refPaths = []struct {
		leaf, size int64
		path       []string // from below
	}{
		{0, 1, nil},
		{0, 2, []string{"96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"}},
		{1, 2, []string{"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"}},
		{2, 3, []string{"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"}},
		{1, 5, []string{
			"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
			"5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
			"bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"}},
		{0, 8, []string{
			"96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
			"5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
			"6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"}},
		{5, 8, []string{
			"bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
			"ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
			"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"}},
	}
	refConsistent = []struct {
		older, size int64
		proof       []string
	}{
		{1, 1, nil},
		{1, 8, []string{
			"96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
			"5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
			"6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"}},
		{2, 5, []string{
			"5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
			"bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"}},
		{6, 8, []string{
			"0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
			"ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
			"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"}},
	}
)

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func hashes(t *testing.T, texts []string) (out []tlog.Hash) {
	t.Helper()
	for _, s := range texts {
		out = append(out, tlog.Hash(unhex(t, s)))
	}
	return out
}

// tree is a log in memory.
type tree struct {
	leaves []tlog.Hash
	stored []tlog.Hash
}

func (m *tree) ReadHashes(at []int64) (out []tlog.Hash, err error) {
	for _, i := range at {
		out = append(out, m.stored[i])
	}
	return out, nil
}

func (m *tree) add(t *testing.T, data []byte) {
	t.Helper()
	more, err := tlog.StoredHashes(int64(len(m.leaves)), data, m)
	if err != nil {
		t.Fatal(err)
	}
	m.leaves, m.stored = append(m.leaves, LeafHash(data)), append(m.stored, more...)
}

func (m *tree) reveal(numbers ...int64) map[int64]tlog.Hash {
	out := map[int64]tlog.Hash{}
	for _, i := range numbers {
		out[i] = m.leaves[i]
	}
	return out
}

func (m *tree) root(t *testing.T, size int64) tlog.Hash {
	t.Helper()
	h, err := tlog.TreeHash(size, m)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func makeTree(t *testing.T, n int) *tree {
	m := &tree{}
	for i := range n {
		m.add(t, []byte{byte(i), byte(i >> 8)})
	}
	return m
}

func TestPublishedVectors(t *testing.T) {
	m := &tree{}
	for _, leaf := range refLeaves {
		m.add(t, unhex(t, leaf))
	}
	roots := hashes(t, refRoots)
	for size, want := range roots {
		all := make([]int64, size)
		for i := range all {
			all[i] = int64(i)
		}
		if got, err := Root(int64(size), m.reveal(all...), nil); err != nil || got != want {
			t.Errorf("root of the first %d leaves: got %v, %v; want %v", size, got, err, want)
		}
		if got, err := RootAt(int64(size), 8, m.reveal(0, 1, 2, 3, 4, 5, 6, 7), nil); err != nil || got != want {
			t.Errorf("root of 8 leaves when they were %d: got %v, %v; want %v", size, got, err, want)
		}
	}
	for _, c := range refPaths {
		proof, err := Prove(c.size, []int64{c.leaf}, m)
		if err != nil {
			t.Fatal(err)
		}
		// ours go by place
		want := hashes(t, c.path)
		if len(proof) != len(want) || slices.ContainsFunc(want, func(h tlog.Hash) bool { return !slices.Contains(proof, h) }) {
			t.Errorf("leaf %d of %d: got %v, want %v in some order", c.leaf, c.size, proof, want)
		}
		if got, err := Root(c.size, m.reveal(c.leaf), proof); err != nil || got != roots[c.size] {
			t.Errorf("leaf %d of %d: got root %v, %v; want %v", c.leaf, c.size, got, err, roots[c.size])
		}
	}
	if proof, err := Prove(8, []int64{5}, m); err != nil || !slices.Equal(proof, []tlog.Hash{
		tlog.Hash(unhex(t, refPaths[6].path[2])), tlog.Hash(unhex(t, refPaths[6].path[0])), tlog.Hash(unhex(t, refPaths[6].path[1]))}) {
		t.Errorf("leaf 5 of 8: got %v, %v; want leaves 0 to 3, leaf 4, leaves 6 and 7", proof, err)
	}
	for _, c := range refConsistent {
		want := hashes(t, c.proof)
		got, err := ProveTree(c.size, c.older, m)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("%d begins with %d: got %v, %v; want %v", c.size, c.older, got, err, want)
		}
		if err := CheckTree(c.size, roots[c.size], c.older, roots[c.older], want); err != nil {
			t.Errorf("%d begins with %d: %v", c.size, c.older, err)
		}
	}
}

// One revealed leaf is the RFC's audit path: what ours accepts, tlog's
// CheckRecord does; and a wrong leaf, place, size, hash or length is refused.
func TestProveAgainstCheckRecord(t *testing.T) {
	m := makeTree(t, 67)
	for size := int64(1); size <= 67; size++ {
		root := m.root(t, size)
		for leaf := range size {
			ours, err := Prove(size, []int64{leaf}, m)
			if err != nil {
				t.Fatal(err)
			}
			theirs, err := tlog.ProveRecord(size, leaf, m)
			if err != nil {
				t.Fatal(err)
			}
			if len(ours) != len(theirs) || slices.ContainsFunc(theirs, func(h tlog.Hash) bool { return !slices.Contains(ours, h) }) {
				t.Fatalf("leaf %d of %d: got %v, tlog %v", leaf, size, ours, theirs)
			}
			if got, err := Root(size, m.reveal(leaf), ours); err != nil || got != root {
				t.Fatalf("leaf %d of %d: got root %v, %v; want %v", leaf, size, got, err, root)
			}
			if other := (leaf + 1) % size; other != leaf {
				wrong := map[int64]tlog.Hash{leaf: m.leaves[other]}
				if got, err := Root(size, wrong, ours); err == nil && got == root {
					t.Fatalf("leaf %d of %d: accepted as leaf %d", other, size, leaf)
				}
				wrong = map[int64]tlog.Hash{other: m.leaves[leaf]}
				if got, err := Root(size, wrong, ours); err == nil && got == root {
					t.Fatalf("leaf %d of %d: accepted in place %d", leaf, size, other)
				}
			}
			if _, err := Root(size, m.reveal(leaf), append(ours[:len(ours):len(ours)], root)); !errors.Is(err, ErrProof) {
				t.Fatalf("leaf %d of %d: a hash too many: %v", leaf, size, err)
			}
			if len(ours) > 0 {
				if _, err := Root(size, m.reveal(leaf), ours[1:]); !errors.Is(err, ErrProof) {
					t.Fatalf("leaf %d of %d: a hash missing: %v", leaf, size, err)
				}
			}
		}
	}
}

func TestProveMany(t *testing.T) {
	m := makeTree(t, 300)
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 500 {
		size := 1 + rnd.Int64N(300)
		var numbers []int64
		for range rnd.IntN(20) {
			numbers = append(numbers, rnd.Int64N(size))
		}
		if from := rnd.Int64N(size); rnd.IntN(2) == 0 {
			for i := from; i < min(size, from+rnd.Int64N(60)); i++ {
				numbers = append(numbers, i)
			}
		}
		proof, err := Prove(size, numbers, m)
		if err != nil {
			t.Fatal(err)
		}
		known, want := m.reveal(numbers...), m.root(t, size)
		if got, err := Root(size, known, proof); err != nil || got != want {
			t.Fatalf("leaves %v of %d: got %v, %v; want %v", numbers, size, got, err, want)
		}
		for i := range proof { // no hash is there for nothing
			bent := slices.Clone(proof)
			bent[i][rnd.IntN(len(bent[i]))] ^= 1 << rnd.IntN(8)
			if got, err := Root(size, known, bent); err == nil && got == want {
				t.Fatalf("leaves %v of %d: hash %d of the proof does not matter", numbers, size, i)
			}
		}
		for older := range size + 1 {
			got, err := RootAt(older, size, known, proof)
			if err != nil && !errors.Is(err, ErrNotReached) || err == nil && got != m.root(t, older) {
				t.Fatalf("leaves %v of %d, when they were %d: got %v, %v; want %v", numbers, size, older, got, err, m.root(t, older))
			}
		}
	}
}

// The leaves from a to the older size are revealed: the older root is known
// where those to the left are complete subtrees of it.
func TestRootAt(t *testing.T) {
	m := makeTree(t, 40)
	for _, c := range []struct {
		name        string
		older, size int64
		from, to    int64 // revealed
		reached     bool
	}{
		{"the last leaf before and the first after", 21, 40, 20, 22, true},
		{"a power of two, nothing after it revealed but in the right half", 32, 40, 35, 36, true},
		{"a complete subtree's edge", 24, 40, 24, 25, true},
		{"nothing near", 21, 40, 38, 40, false},
		{"those after alone, the edge is inside a hidden pair", 23, 40, 24, 30, false},
		{"all", 17, 40, 0, 40, true},
		{"the same size", 40, 40, 3, 4, true},
		{"no leaf", 0, 40, 3, 4, true},
	} {
		var numbers []int64
		for i := c.from; i < c.to; i++ {
			numbers = append(numbers, i)
		}
		proof, err := Prove(c.size, numbers, m)
		if err != nil {
			t.Fatal(err)
		}
		got, err := RootAt(c.older, c.size, m.reveal(numbers...), proof)
		if c.reached && (err != nil || got != m.root(t, c.older)) || !c.reached && !errors.Is(err, ErrNotReached) {
			t.Errorf("%s: got %v, %v; want %v, reached %v", c.name, got, err, m.root(t, c.older), c.reached)
		}
	}
	if _, err := RootAt(41, 40, m.reveal(1), nil); !errors.Is(err, ErrNotReached) {
		t.Errorf("a size beyond the tree: %v", err)
	}
}

func TestCheckTree(t *testing.T) {
	m := makeTree(t, 70)
	for size := int64(0); size <= 70; size++ {
		for older := range size + 1 {
			p, err := ProveTree(size, older, m)
			if err != nil {
				t.Fatal(err)
			}
			if err := CheckTree(size, m.root(t, size), older, m.root(t, older), p); err != nil {
				t.Fatalf("%d begins with %d: %v", size, older, err)
			}
			wrong := m.root(t, older)
			wrong[7] ^= 1
			if err := CheckTree(size, m.root(t, size), older, wrong, p); !errors.Is(err, ErrProof) {
				t.Fatalf("%d begins with another %d: %v", size, older, err)
			}
			if err := CheckTree(size, m.root(t, size), older, m.root(t, older), append(p[:len(p):len(p)], wrong)); !errors.Is(err, ErrProof) {
				t.Fatalf("%d begins with %d, a hash too many: %v", size, older, err)
			}
		}
	}
	if err := CheckTree(3, m.root(t, 3), 4, m.root(t, 4), nil); !errors.Is(err, ErrProof) {
		t.Errorf("an older tree that is larger: %v", err)
	}
	if _, err := ProveTree(3, 4, m); !errors.Is(err, ErrProof) {
		t.Errorf("proof of an older tree that is larger: %v", err)
	}
}

// A proof names its size: what a file says of it must cost no memory.
func TestHugeSize(t *testing.T) {
	if _, err := Root(1<<62, map[int64]tlog.Hash{1 << 40: {}}, make([]tlog.Hash, 62)); err != nil {
		t.Errorf("a path of 62 hashes: %v", err)
	}
	for _, size := range []int64{-1, 3} {
		if _, err := Root(size, map[int64]tlog.Hash{5: {}}, nil); !errors.Is(err, ErrProof) {
			t.Errorf("leaf 5 of %d: %v", size, err)
		}
	}
	if _, err := Root(3, map[int64]tlog.Hash{-1: {}}, nil); !errors.Is(err, ErrProof) {
		t.Errorf("leaf -1: %v", err)
	}
}
