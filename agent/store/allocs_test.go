//go:build !race

// Not under the race detector: with it a sync.Pool, which zstd uses for format 1,
// forgets at random.

package store

import (
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// Every form of column is decoded into the caller's slice and allocates
// nothing once the decoder has the memory it keeps.
func TestColumnsDecodeWithoutAllocation(t *testing.T) {
	var enc columnEncoder
	_, dec := testEncoder(t)
	forms := map[byte]bool{}
	for name, want := range testColumns() {
		for k := range scan.Kind(6) {
			b, form := enc.append(nil, want, k)
			forms[form&formMask] = true
			head, out := &columnHead{version: 2, form: form, data: b}, make([]int64, len(want))
			allocs := testing.AllocsPerRun(5, func() { // after one run that is not counted
				if err := dec.decode(head, out); err != nil {
					t.Fatalf("%s, kind %d, form %#x: %v", name, k, form, err)
				}
			})
			if allocs != 0 {
				t.Errorf("%s, kind %d, form %#x: %v allocations, want none", name, k, form, allocs)
			}
		}
	}
	if len(forms) != 6 {
		t.Errorf("columns of the forms %v, want all six", forms)
	}
}

// A whole block, scans that failed and values that are not good among them, is
// decoded into rows that are used again; so is one of format 1.
func TestBlocksDecodeWithoutAllocation(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never})
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, stream(register(t, s, testGroups()), 21, startMS, 4000))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, dec := testEncoder(t)
	for name, dir := range map[string]string{"this format": dir, "format 1": format1Dir(t)} {
		blocks, groups := blocksOf(t, dir)
		var rows blockRows
		for _, head := range blocks {
			allocs := testing.AllocsPerRun(5, func() {
				if err := rows.decode(head, dec, groups); err != nil {
					t.Fatalf("%s, block from %d: %v", name, head.firstSeq, err)
				}
			})
			if allocs != 0 {
				t.Errorf("%s, block from %d: %v allocations, want none", name, head.firstSeq, allocs)
			}
		}
	}
}

// blocksOf reads the blocks of a store, which is closed again: what it does
// beside would be counted too.
func blocksOf(t *testing.T, dir string) (heads []*blockHead, groups map[uint32]*scan.Group) {
	t.Helper()
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var refs []blockRef
	err = s.view(func(tx *bolt.Tx) (err error) {
		refs, err = findBlocks(tx, ScanQuery{}, nil)
		return err
	})
	if err != nil || len(refs) < 2 {
		t.Fatalf("%d blocks in %s, want several: %v", len(refs), dir, err)
	}
	for _, ref := range refs {
		value, err := s.fetchBlock(ref)
		if err != nil {
			t.Fatal(err)
		}
		head, err := openBlock(value)
		if err != nil {
			t.Fatal(err)
		}
		heads = append(heads, head)
	}
	return heads, s.groupMap()
}
