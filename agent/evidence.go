package agent

import (
	"context"
	"errors"
	"fmt"

	"loadscribe/agent/evidence"
	"loadscribe/agent/store"
)

// EvidenceHead is the newest checkpoint of the evidence log: the answer of
// /api/v1/evidence.
type EvidenceHead struct {
	Checkpoint string `json:"checkpoint"` // its text, as signed
	Log        string `json:"log"`        // its first line, which names the store
	Size       int64  `json:"size"`       // leaves
	Root       string `json:"root"`       // base64
	Made       Stamp  `json:"made"`
	From       Stamp  `json:"from"` // the first and last reading in it; null: none
	To         Stamp  `json:"to"`
	Key        string `json:"key"` // fingerprint
}

// EvidenceVerdict is what verifying the evidence log found: the answer of POST
// /api/v1/verify.
type EvidenceVerdict struct {
	Sound bool `json:"sound"`
	// Head is left out where the newest checkpoint is not valid.
	Head          *EvidenceHead   `json:"head,omitempty"`
	Leaves        int64           `json:"leaves"`
	Seals         int64           `json:"seals"`
	Blocks        int64           `json:"blocks"`   // whose readings were checked
	Dropped       int64           `json:"dropped"`  // blocks whose hashes alone are kept
	Readings      int64           `json:"readings"` // scans in the blocks
	Events        int64           `json:"events"`
	Unsealed      int64           `json:"unsealed"` // scans and events that are not in the log yet
	Began         Stamp           `json:"began"`
	AdoptedBlocks int64           `json:"adopted_blocks"` // were there before the log
	AdoptedEvents int64           `json:"adopted_events"`
	Keys          []EvidenceKey   `json:"keys"`
	BreakCount    int64           `json:"break_count"`
	Breaks        []EvidenceBreak `json:"breaks"` // the first by time, at most 100
	// Kept is left out where no checkpoint was given.
	Kept *EvidenceKept `json:"kept,omitempty"`
}

// EvidenceKey is a key that signs from a leaf on.
type EvidenceKey struct {
	Leaf int64  `json:"leaf"`
	Key  string `json:"key"` // fingerprint
}

// EvidenceBreak is one thing that is not as the log has it.
type EvidenceBreak struct {
	What   string `json:"what"`
	Leaf   int64  `json:"leaf"`   // -1: none
	Device string `json:"device"` // empty: no one device
	From   Stamp  `json:"from"`   // null: of no certain time
	To     Stamp  `json:"to"`
	Text   string `json:"text"`
}

// EvidenceKept is what became of the log since a checkpoint that was kept.
type EvidenceKept struct {
	Holds bool   `json:"holds"`
	Size  int64  `json:"size"`
	Made  Stamp  `json:"made"`
	Key   string `json:"key"` // fingerprint
	Text  string `json:"text"`
}

// Evidence is the newest checkpoint; the error wraps store.ErrNoEvidence where
// there is none yet.
func (h *History) Evidence() (EvidenceHead, error) {
	e, err := h.store.Evidence()
	if err != nil {
		return EvidenceHead{}, err
	}
	return headOf(e.Text, &e.Checkpoint)
}

func headOf(text []byte, c *evidence.Checkpoint) (EvidenceHead, error) {
	public, err := c.PublicKey()
	if err != nil {
		return EvidenceHead{}, err
	}
	return EvidenceHead{Checkpoint: string(text), Log: c.Origin, Size: c.Size, Root: c.Root.String(), Made: Stamp(c.MadeMS),
		From: Stamp(c.FromMS), To: Stamp(c.ToMS), Key: evidence.Fingerprint(public)}, nil
}

// VerifyEvidence makes the evidence log again from what is stored and compares;
// kept is the text of a checkpoint that lay elsewhere, empty: none. An error of
// type *FieldError says that it is no checkpoint. progress may be nil.
func (h *History) VerifyEvidence(ctx context.Context, kept string, progress func(done, total int64)) (EvidenceVerdict, error) {
	o := store.VerifyOptions{Progress: progress}
	if kept != "" {
		o.Kept = []byte(kept)
	}
	v, err := h.store.VerifyEvidence(ctx, o)
	if errors.Is(err, evidence.ErrCheckpoint) && kept != "" {
		return EvidenceVerdict{}, wrongField("checkpoint", "%v: give the file as it was kept, all lines", err)
	}
	if err != nil {
		return EvidenceVerdict{}, err
	}
	return verdictOf(&v)
}

func verdictOf(v *store.Verdict) (EvidenceVerdict, error) {
	out := EvidenceVerdict{Sound: v.Sound(), Leaves: v.Leaves, Seals: v.Seals, Blocks: v.Blocks, Dropped: v.Dropped, Readings: v.Readings,
		Events: v.Events, Unsealed: v.Unsealed, Began: Stamp(v.Began.WallMS), AdoptedBlocks: int64(v.Began.Blocks),
		AdoptedEvents: int64(v.Began.Events), Keys: []EvidenceKey{}, BreakCount: v.BreakCount, Breaks: []EvidenceBreak{}}
	for _, k := range v.Keys {
		out.Keys = append(out.Keys, EvidenceKey{k.Leaf, k.Fingerprint})
	}
	for _, b := range v.Breaks {
		out.Breaks = append(out.Breaks, EvidenceBreak{b.What, b.Leaf, b.Device, Stamp(b.FromMS), Stamp(b.ToMS), b.Text})
	}
	if v.Checkpoint.Key != "" {
		head, err := headOf(v.Text, &v.Checkpoint)
		if err != nil {
			return EvidenceVerdict{}, fmt.Errorf("newest checkpoint: %w", err)
		}
		out.Head = &head
	}
	if v.Kept != nil {
		c := &v.Kept.Checkpoint
		public, err := c.PublicKey()
		if err != nil {
			return EvidenceVerdict{}, fmt.Errorf("kept checkpoint: %w", err)
		}
		out.Kept = &EvidenceKept{Holds: v.Kept.Holds, Size: c.Size, Made: Stamp(c.MadeMS), Key: evidence.Fingerprint(public), Text: v.Kept.Text}
	}
	return out, nil
}
