package bundle

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
)

// VerifyOptions are optional.
type VerifyOptions struct {
	// Kept is the text of a checkpoint that was kept elsewhere.
	Kept []byte
	// Progress is told how many bytes of the CSV have been derived, of how many.
	Progress func(done, total int64)
}

// Verify checks a bundle of size bytes. An error that wraps ErrContainer,
// ErrBroken, ErrKept or ErrNotReached says what does not hold; any other has to
// do with reading the file. With ErrKept and ErrNotReached the verdict is there
// too: the bundle holds in itself.
func Verify(ctx context.Context, r io.ReaderAt, size int64, o VerifyOptions) (*Verdict, error) {
	box, err := openContainer(r, size)
	if err != nil {
		return nil, err
	}
	v := &verifier{box: box, verdict: &Verdict{SHA256: box.sum, Bytes: size}}
	for _, step := range []func() error{v.sortParts, v.readSmall, v.checkRoot, v.checkShown, v.checkState, v.checkTexts, v.chooseBlocks} {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if err := step(); err != nil {
			return nil, err
		}
	}
	if err := v.checkReadings(ctx, o.Progress); err != nil {
		return nil, err
	}
	if o.Kept != nil {
		if err := v.checkKept(o.Kept); err != nil {
			return v.verdict, err
		}
	}
	return v.verdict, nil
}

// verifier is one run of Verify.
type verifier struct {
	box     *container
	verdict *Verdict

	fixed  map[string]*entry // those that are there once
	texts  []*entry
	blocks map[int64]*entry // by leaf

	manifest   *manifest
	checkpoint evidence.Checkpoint
	leaves     *leaves
	proof      []tlog.Hash
	kept       *evidence.Checkpoint // of the bundle itself
	state      *state
	shown      *shown
	readings   []*block // those of the window, to derive the CSV from
}

func broken(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrBroken, fmt.Sprintf(format, args...))
}

// sortParts checks that exactly the parts are there that a bundle has, in their
// order.
func (v *verifier) sortParts() error {
	v.fixed, v.blocks = map[string]*entry{}, map[int64]*entry{}
	order := []string{nameManifest, nameCheckpoint, nameKept, nameConsistency, nameLeaves, nameProof, nameGroups, nameSegments, prefixTexts, prefixBlocks, nameReadings}
	last, lastText, lastBlock := -1, "", int64(-1)
	for i := range v.box.entries {
		e := &v.box.entries[i]
		kind := e.name
		if at := strings.IndexByte(kind, '/'); at >= 0 {
			kind = kind[:at+1]
		}
		place := slices.Index(order, kind)
		switch {
		case place < 0:
			return broken("%q is no part of a bundle", e.name)
		case place < last || place == last && kind == e.name:
			return broken("%q stands in the wrong place", e.name)
		case kind == prefixTexts:
			hash := e.name[len(prefixTexts):]
			if b, err := hex.DecodeString(hash); err != nil || len(b) != sha256.Size || hash != hex.EncodeToString(b) || hash <= lastText {
				return broken("%q stands in the wrong place, or is no SHA-256", e.name)
			}
			lastText = hash
			v.texts = append(v.texts, e)
		case kind == prefixBlocks:
			n, err := strconv.ParseInt(strings.TrimSuffix(e.name[len(prefixBlocks):], suffixBlock), 10, 64)
			if err != nil || n <= lastBlock || e.name != blockName(n) {
				return broken("%q stands in the wrong place, or is no number of a leaf", e.name)
			}
			lastBlock = n
			v.blocks[n] = e
		default:
			v.fixed[kind] = e
		}
		last = place
	}
	for _, name := range order {
		optional := name == nameKept || name == nameConsistency
		if !strings.HasSuffix(name, "/") && !optional && v.fixed[name] == nil {
			return broken("%s is missing", name)
		}
	}
	if (v.fixed[nameKept] == nil) != (v.fixed[nameConsistency] == nil) {
		return broken("%s and %s are there together or not at all", nameKept, nameConsistency)
	}
	return nil
}

func blockName(leaf int64) string { return prefixBlocks + strconv.FormatInt(leaf, 10) + suffixBlock }

// Limits of the parts that are read whole.
const (
	maxCheckpoint = 4096
	maxProof      = 4 << 20
	maxState      = 64 << 20
	maxText       = 16 << 20
)

// readSmall reads manifest, checkpoints, leaves and proof.
func (v *verifier) readSmall() error {
	read := func(name string, most int64) ([]byte, error) { return v.box.read(v.fixed[name], most) }
	b, err := read(nameManifest, maxManifest)
	if err != nil {
		return err
	}
	if v.manifest, err = readManifest(b); err != nil {
		return err
	}
	if b, err = read(nameCheckpoint, maxCheckpoint); err != nil {
		return err
	}
	if v.checkpoint, err = evidence.ParseCheckpoint(b); err != nil {
		return broken("%s: %v", nameCheckpoint, err)
	}
	if b, err = read(nameLeaves, maxLeaves); err != nil {
		return err
	}
	if v.leaves, err = readLeaves(b, v.checkpoint.Size); err != nil {
		return err
	}
	if b, err = read(nameProof, maxProof); err != nil {
		return err
	}
	v.proof, err = readHashes(nameProof, b)
	return err
}

func readHashes(name string, b []byte) ([]tlog.Hash, error) {
	if len(b)%tlog.HashSize != 0 {
		return nil, broken("%s has %d bytes, which are no hashes", name, len(b))
	}
	all := make([]tlog.Hash, len(b)/tlog.HashSize)
	for i := range all {
		copy(all[i][:], b[i*tlog.HashSize:])
	}
	return all, nil
}

// checkRoot computes the log's root from what is revealed and holds it to the
// checkpoint; the bundle's own older checkpoint likewise.
func (v *verifier) checkRoot() error {
	root, err := evidence.Root(v.checkpoint.Size, v.leaves.hashes, v.proof)
	if err != nil {
		return broken("%s: %v", nameProof, err)
	}
	if root != v.checkpoint.Root {
		return broken("the leaves and the proof do not make up the log that the checkpoint names: what is shown is not what was logged")
	}
	if err := v.nameLog(); err != nil {
		return err
	}
	if v.fixed[nameKept] == nil {
		return nil
	}
	b, err := v.box.read(v.fixed[nameKept], maxCheckpoint)
	if err != nil {
		return err
	}
	kept, err := evidence.ParseCheckpoint(b)
	if err != nil {
		return broken("%s: %v", nameKept, err)
	}
	if b, err = v.box.read(v.fixed[nameConsistency], maxProof); err != nil {
		return err
	}
	proof, err := readHashes(nameConsistency, b)
	if err != nil {
		return err
	}
	if kept.Origin != v.checkpoint.Origin {
		return broken("%s is of another log", nameKept)
	}
	if err := evidence.CheckTree(v.checkpoint.Size, v.checkpoint.Root, kept.Size, kept.Root, proof); err != nil {
		return broken("%s: %v", nameConsistency, err)
	}
	v.kept = &kept
	return nil
}

// nameLog fills in what the checkpoint says.
func (v *verifier) nameLog() error {
	public, err := v.checkpoint.PublicKey()
	if err != nil {
		return broken("%s: %v", nameCheckpoint, err)
	}
	c, d := &v.checkpoint, v.verdict
	d.Origin, d.Size, d.Root, d.MadeMS, d.Key = c.Origin, c.Size, c.Root.String(), c.MadeMS, evidence.Fingerprint(public)
	return nil
}

// checkKept holds the log to a checkpoint that was kept elsewhere.
func (v *verifier) checkKept(text []byte) error {
	kept, err := evidence.ParseCheckpoint(evidence.FromMail(text))
	if err != nil {
		return fmt.Errorf("%w: %w", ErrKept, err)
	}
	now, d := &v.checkpoint, v.verdict
	d.KeptSize = kept.Size
	if kept.Origin != now.Origin {
		return fmt.Errorf("%w: it is of the log %s, the bundle of %s", ErrKept, kept.Origin, now.Origin)
	}
	if kept.Size > now.Size {
		return fmt.Errorf("%w: it names %d leaves of %s, the bundle's log ends at %d: the bundle is older than the kept checkpoint, or the log was cut off",
			ErrKept, kept.Size, stamp(kept.MadeMS), now.Size)
	}
	root := now.Root
	switch {
	case kept.Size == now.Size:
		d.Kept = "same"
	case v.kept != nil && v.kept.Size == kept.Size:
		root, d.Kept = v.kept.Root, "continued"
	default:
		root, err = evidence.RootAt(kept.Size, now.Size, v.leaves.hashes, v.proof)
		if errors.Is(err, evidence.ErrNotReached) {
			return fmt.Errorf("%w: export again with --checkpoint and the kept file", ErrNotReached)
		}
		if err != nil {
			return broken("%v", err)
		}
		d.Kept = "continued"
	}
	if root != kept.Root {
		d.Kept = ""
		return fmt.Errorf("%w: the bundle's log is another one in its first %d leaves: what was logged before %s was rewritten",
			ErrKept, kept.Size, stamp(kept.MadeMS))
	}
	return nil
}

// checkTexts holds each text to its name, and all of them to the events that
// name them.
func (v *verifier) checkTexts() error {
	there := map[string]bool{}
	for _, e := range v.texts {
		b, err := v.box.read(e, maxText)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(b)
		hash := hex.EncodeToString(sum[:])
		if e.name != prefixTexts+hash {
			return broken("%s is not the text of that SHA-256", e.name)
		}
		there[hash] = true
	}
	lost := v.manifest.LostTexts
	for _, hash := range v.shown.texts {
		switch {
		case there[hash]:
			delete(there, hash)
		case len(lost) > 0 && lost[0] == hash:
			lost = lost[1:]
		default:
			return broken("%s%s is missing, which an event of the log names", prefixTexts, hash)
		}
	}
	if len(lost) > 0 {
		return broken("%s: the text %s is not lost, or no event names it", nameManifest, lost[0])
	}
	if len(there) > 0 {
		return broken("there are %d texts that no event shown names", len(there))
	}
	v.verdict.Files = v.shown.files
	v.verdict.LostTexts = v.manifest.LostTexts
	return nil
}

// checkState holds groups and segments to the log's last seal.
func (v *verifier) checkState() error {
	groups, err := v.box.read(v.fixed[nameGroups], maxState)
	if err != nil {
		return err
	}
	segments, err := v.box.read(v.fixed[nameSegments], maxState)
	if err != nil {
		return err
	}
	if v.state, err = readState(groups, segments); err != nil {
		return err
	}
	if !bytes.Equal(v.state.hash[:], v.shown.state[:]) {
		return broken("%s and %s are not those of the log's last seal", nameGroups, nameSegments)
	}
	for _, id := range v.manifest.Channels {
		if !v.state.hasChannel(id) {
			return broken("%s: channel %q is in no group", nameManifest, id)
		}
	}
	return nil
}
