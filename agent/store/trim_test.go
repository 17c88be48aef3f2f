package store

import (
	"slices"
	"sync"
	"testing"
)

// TestTrim gives memory back over and over beside one who writes, seals and stores texts:
// what is read is what was written, and the check at the end finds the store whole.
func TestTrim(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups())
	before := s.enc
	done := make(chan struct{})
	var trimming sync.WaitGroup
	trimming.Go(func() {
		for {
			select {
			case <-done:
				return
			default:
				s.Trim()
			}
		}
	})
	wrote := appendAll(t, s, slices.Concat(stream(groups, 5, startMS, 600), stream(groups, 6, startMS+hourMS, 600), stream(groups, 7, startMS+2*hourMS, 600)))
	close(done)
	trimming.Wait()
	if s.Trim(); s.enc == before {
		t.Error("the encoder is still the first one")
	}
	if s.SealedSeq() == 0 {
		t.Error("nothing was sealed meanwhile")
	}
	wantScans(t, readAll(t, s, ScanQuery{}), wrote)
}
