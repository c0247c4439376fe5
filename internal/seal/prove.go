package seal

import (
	"crypto/sha256"
	"fmt"
	"math/bits"

	"golang.org/x/mod/sumdb/tlog"
)

// Leaves returns the SHA-256 of the bytes of so many entries, from a cursor on.
type Leaves func(first uint64, n int) ([][sha256.Size]byte, error)

// Prover makes proofs of a tree as it was when Prover was called. It is not for
// concurrent use, but beside the tree.
type Prover struct {
	size   int64
	tops   stored
	young  []tlog.Hash
	leaves Leaves
	groves map[int64][]tlog.Hash // that were needed so far
}

// Prover returns a prover of the tree as it is. Leaves gives the hashes of its entries
// again; a prover that makes no more than a checkpoint of all of them needs none.
func (t *Tree) Prover(leaves Leaves) *Prover {
	return &Prover{t.size, t.tops[:len(t.tops):len(t.tops)], t.young[:len(t.young):len(t.young)], leaves, map[int64][]tlog.Hash{}}
}

// Size is how many entries the tree has.
func (p *Prover) Size() int64 { return p.size }

// grove returns the leaves of a grove.
func (p *Prover) grove(i int64) ([]tlog.Hash, error) {
	if i == p.size>>groveLevel {
		return p.young, nil
	}
	if g := p.groves[i]; g != nil {
		return g, nil
	}
	first := uint64(i)<<groveLevel + 1
	entries, err := p.leaves(first, grove)
	if err != nil {
		return nil, err
	}
	g := make([]tlog.Hash, len(entries))
	for k, e := range entries {
		g[k] = leaf(e)
	}
	if len(g) != grove || rootOf(g) != p.tops[tlog.StoredHashIndex(0, i)] {
		return nil, fmt.Errorf("entries %d to %d are not those that the tree was made of", first, first+grove-1)
	}
	p.groves[i] = g
	return g, nil
}

// subtree is the root over the leaves from low up to high, where low is a multiple of
// the least power of 2 that is not below their number.
func (p *Prover) subtree(low, high int64) (tlog.Hash, error) {
	n := high - low
	if n < grove {
		g, err := p.grove(low >> groveLevel)
		if err != nil {
			return tlog.Hash{}, err
		}
		return rootOf(g[low%grove:][:n]), nil
	}
	if n&(n-1) == 0 {
		level := bits.TrailingZeros64(uint64(n))
		return p.tops[tlog.StoredHashIndex(level-groveLevel, low>>level)], nil
	}
	middle := low + half(n)
	left, err := p.subtree(low, middle)
	if err != nil {
		return tlog.Hash{}, err
	}
	right, err := p.subtree(middle, high)
	return tlog.NodeHash(left, right), err
}

// ReadHashes makes a Prover a tlog.HashReader.
func (p *Prover) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, x := range indexes {
		level, n := tlog.SplitStoredHashIndex(x)
		low, high := n<<level, (n+1)<<level
		if high > p.size {
			return nil, fmt.Errorf("read a hash over the entries to %d of a tree that has %d", high, p.size)
		}
		var err error
		if out[i], err = p.subtree(low, high); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Checkpoint returns the state that the tree had with its first entries, so many of
// them. It is an error if it never had.
func (p *Prover) Checkpoint(origin string, size int64) (Checkpoint, error) {
	if size < 1 || size > p.size {
		return Checkpoint{}, fmt.Errorf("make a checkpoint of %d entries: the record has 1 to %d", size, p.size)
	}
	root, err := p.subtree(0, size)
	if err != nil {
		return Checkpoint{}, fmt.Errorf("make a checkpoint of %d entries: %w", size, err)
	}
	c := Checkpoint{Origin: origin, Size: size, Root: root}
	return c, c.check()
}

// prove returns the roots of the largest subtrees that hold none of the wanted leaves,
// which are in order.
func (p *Prover) prove(low, high int64, wanted []int64) ([]tlog.Hash, error) {
	switch {
	case len(wanted) == 0:
		root, err := p.subtree(low, high)
		return []tlog.Hash{root}, err
	case high-low == 1:
		return nil, nil
	}
	middle := low + half(high-low)
	k := 0
	for k < len(wanted) && wanted[k] < middle {
		k++
	}
	left, err := p.prove(low, middle, wanted[:k])
	if err != nil {
		return nil, err
	}
	right, err := p.prove(middle, high, wanted[k:])
	return append(left, right...), err
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
func (p *Prover) Growth(from, to int64) (tlog.TreeProof, error) {
	if from < 1 || from > to || to > p.size {
		return nil, fmt.Errorf("show growth from %d to %d entries: give two sizes from 1 to %d, the smaller first", from, to, p.size)
	}
	return tlog.ProveTree(to, from, p)
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
