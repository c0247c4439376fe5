// Package seal lets a lab prove to somebody who does not trust it what its record says,
// without handing over the record: a hash tree over the entries, a checkpoint of the tree
// that the lab signs, and a bundle of a few entries with what leads from them to the
// checkpoint.
//
// # The tree
//
// The tree is that of RFC 6962 (Certificate Transparency): its leaves are the SHA-256 of
// the entries' bytes, the hashes that the ledger's own chain goes by, in the order of
// their cursors. It only grows; that a later one holds all of an earlier one can be shown
// by two checkpoints and a few hashes (Growth).
//
// # The checkpoint
//
// A signed note (golang.org/x/mod/sumdb/note) of three lines: the origin, which names the
// record; how many entries the tree has; its root in base64. Each signature is of an
// Ed25519 key with a name. A second party that has seen the checkpoint, such as a buyer
// or a lab of another house, adds its own: then the lab cannot show somebody else another
// past of the same length.
//
// # The bundle
//
// A bundle is lines of text, each ended by a line feed:
//
//	evenbench bundle 1
//	checkpoint N            and the N lines of the signed note
//	proof N                 and N lines, each a hash in base64
//	entries N               in blocks of up to 512, of each two lines:
//	block FIRST LAST N      cursors of the first and the last, and how many
//	BASE64                  the entries, compressed as a DEFLATE stream (RFC 1951)
//	end SHA256              of all that stands above, in hexadecimal
//
// Entries stand in order of their cursors. In a block each is: its cursor less the one
// before in the bundle (0 before the first), the size of its bytes, and at which of them,
// counted from 1, the hash of the entry before in the bundle stands (0: nowhere), as
// unsigned varints; the first two bytes of its own hash; and its bytes, exclusive or
// those of the last entry before it in the bundle that has as many, if there is one, and
// without the place of that hash, which whoever reads has computed already.
//
// The proof is the roots of the largest subtrees that hold no entry of the bundle, from
// left to right: with the entries' hashes they give the root. Whatever is changed in a
// bundle is found, and said where; see Verify.
package seal

import (
	"crypto/sha256"
	"fmt"
	"math/bits"

	"golang.org/x/mod/sumdb/tlog"
)

// Tree is the hash tree of a record. The zero Tree is empty. It keeps 64 bytes an entry.
// It is not for concurrent use.
type Tree struct {
	size   int64
	stored []tlog.Hash
}

// Append adds the entry that follows, by the SHA-256 of its bytes.
func (t *Tree) Append(entry [sha256.Size]byte) {
	hashes, err := tlog.StoredHashesForRecordHash(t.size, leaf(entry), t)
	if err != nil { // all that it reads was stored before
		panic(err)
	}
	t.stored = append(t.stored, hashes...)
	t.size++
}

func leaf(entry [sha256.Size]byte) tlog.Hash { return tlog.RecordHash(entry[:]) }

// Size is how many entries the tree has.
func (t *Tree) Size() int64 { return t.size }

// ReadHashes makes a Tree a tlog.HashReader.
func (t *Tree) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, x := range indexes {
		if x < 0 || x >= int64(len(t.stored)) {
			return nil, fmt.Errorf("read hash %d of a tree that has %d", x, len(t.stored))
		}
		out[i] = t.stored[x]
	}
	return out, nil
}

// Checkpoint is a state of a tree.
type Checkpoint struct {
	// Origin names the record; without line feeds, not empty.
	Origin string
	// Size is how many entries the tree has, at least 1: those with cursors 1 to Size.
	Size int64
	Root tlog.Hash
}

// Checkpoint returns the state that the tree had with its first entries, so many of
// them. It is an error if it never had.
func (t *Tree) Checkpoint(origin string, size int64) (Checkpoint, error) {
	if size < 1 || size > t.size {
		return Checkpoint{}, fmt.Errorf("make a checkpoint of %d entries: the record has 1 to %d", size, t.size)
	}
	c := Checkpoint{Origin: origin, Size: size, Root: t.subtree(0, size)}
	return c, c.check()
}

// subtree is the root over the leaves from low up to high, where low is a multiple of
// the least power of 2 that is not below their number.
func (t *Tree) subtree(low, high int64) tlog.Hash {
	n := high - low
	if n&(n-1) == 0 {
		level := bits.TrailingZeros64(uint64(n))
		return t.stored[tlog.StoredHashIndex(level, low>>level)]
	}
	middle := low + half(n)
	return tlog.NodeHash(t.subtree(low, middle), t.subtree(middle, high))
}

// half is the largest power of 2 below n, which is above 1: so many leaves are on the
// left of a tree of n.
func half(n int64) int64 { return 1 << (bits.Len64(uint64(n-1)) - 1) }

// prove returns the roots of the largest subtrees that hold none of the wanted leaves,
// which are in order.
func (t *Tree) prove(low, high int64, wanted []int64) []tlog.Hash {
	switch {
	case len(wanted) == 0:
		return []tlog.Hash{t.subtree(low, high)}
	case high-low == 1:
		return nil
	}
	middle := low + half(high-low)
	k := 0
	for k < len(wanted) && wanted[k] < middle {
		k++
	}
	return append(t.prove(low, middle, wanted[:k]), t.prove(middle, high, wanted[k:])...)
}

// climb finds the root over the leaves from low up to high, from the hashes of some of
// them and the proof of the others, and what is left of the proof.
func climb(low, high int64, wanted []int64, leaves, proof []tlog.Hash) (tlog.Hash, []tlog.Hash, error) {
	switch {
	case len(wanted) == 0 && len(proof) == 0:
		return tlog.Hash{}, nil, fmt.Errorf("the proof is too short")
	case len(wanted) == 0:
		return proof[0], proof[1:], nil
	case high-low == 1:
		return leaves[0], proof, nil
	}
	middle := low + half(high-low)
	k := 0
	for k < len(wanted) && wanted[k] < middle {
		k++
	}
	left, proof, err := climb(low, middle, wanted[:k], leaves[:k], proof)
	if err != nil {
		return tlog.Hash{}, nil, err
	}
	right, proof, err := climb(middle, high, wanted[k:], leaves[k:], proof)
	if err != nil {
		return tlog.Hash{}, nil, err
	}
	return tlog.NodeHash(left, right), proof, nil
}

// Growth returns what shows that the tree of so many entries holds all of the tree that
// it was with fewer. It is an error if it never had these sizes, in this order.
func (t *Tree) Growth(from, to int64) (tlog.TreeProof, error) {
	if from < 1 || from > to || to > t.size {
		return nil, fmt.Errorf("show growth from %d to %d entries: give two sizes from 1 to %d, the smaller first", from, to, t.size)
	}
	return tlog.ProveTree(to, from, t)
}

// CheckGrowth tells whether a proof shows that the newer checkpoint is of a record that
// still begins with all that the older one saw; nil if so.
func CheckGrowth(older, newer Checkpoint, proof tlog.TreeProof) error {
	doing := fmt.Sprintf("check that the record grew from %d to %d entries", older.Size, newer.Size)
	if older.Origin != newer.Origin {
		return fmt.Errorf("%s: the checkpoints are of two records, %q and %q", doing, older.Origin, newer.Origin)
	}
	if older.Size < 1 || older.Size > newer.Size {
		return fmt.Errorf("%s: the older one must be the shorter one", doing)
	}
	if err := tlog.CheckTree(proof, newer.Size, newer.Root, older.Size, older.Root); err != nil {
		return fmt.Errorf("%s: the past was changed, or the proof is of something else: %w", doing, err)
	}
	return nil
}
