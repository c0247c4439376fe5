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
// A Tree keeps no leaves but the latest. Every 1,024 entries are a grove, of which it
// keeps the root; what lies below it is computed of the entries again when a proof needs
// it. So a million entries take 64 kB, and a billion 64 MB.
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
// A bundle is lines, each ended by a line feed, and of text but for the blocks:
//
//	evenbench bundle 1
//	checkpoint N            and the N lines of the signed note
//	proof N                 and N lines, each a hash in base64
//	entries N               in blocks of up to 512, of each two lines:
//	block FIRST LAST N SIZE cursors of the first and the last, how many, and how many bytes
//	BYTES                   the entries, compressed as a DEFLATE stream (RFC 1951)
//	end SHA256              of all that stands above, in hexadecimal
//
// Entries stand in order of their cursors. A block has first for each of them: its cursor
// less the one before in the bundle (0 before the first), the size of its bytes, and at
// which of them, counted from 1, the hash of the entry before in the bundle stands (0:
// nowhere), as unsigned varints; and the first two bytes of its own hash. Then come the
// bytes of the entries: exclusive or those of the last entry before in the bundle that has
// as many, if there is one, and with zeros in place of that hash, which whoever reads has
// computed already. Those of one size are the rows of a table, the tables in the order in
// which sizes come up, and of each table the columns are written, from the first byte of
// every row to the last.
//
// The proof is the roots of the largest subtrees that hold no entry of the bundle, from
// left to right: with the entries' hashes they give the root. Whatever is changed in a
// bundle is found, and said where; see Verify.
package seal

import (
	"crypto/sha256"
	"math/bits"

	"golang.org/x/mod/sumdb/tlog"

	"github.com/evenbench/evenbench/internal/imprint"
)

// A grove is so many entries: few enough to be read and hashed within a millisecond or
// two, and enough for their roots to be next to nothing.
const (
	groveLevel = 10
	grove      = 1 << groveLevel
)

// Tree is the hash tree of a record. The zero Tree is empty. It is not for concurrent
// use, but for the Provers that were made of it.
type Tree struct {
	size int64
	// tops are the roots of the full groves and of the subtrees above them, as tlog stores
	// a tree whose leaves those roots are.
	tops stored
	// young are the leaves behind the last full grove.
	young []tlog.Hash
}

// Append adds the entry that follows, by the SHA-256 of its bytes.
func (t *Tree) Append(entry [sha256.Size]byte) {
	t.young = append(t.young, leaf(entry))
	if t.size++; len(t.young) < grove {
		return
	}
	above, err := tlog.StoredHashesForRecordHash(t.size>>groveLevel-1, rootOf(t.young), t.tops)
	if err != nil { // all that it reads was stored before
		panic(err)
	}
	t.tops, t.young = append(t.tops, above...), nil
}

func leaf(entry [sha256.Size]byte) tlog.Hash { return tlog.RecordHash(entry[:]) }

// rootOf is the root over leaves, of which there is at least one.
func rootOf(leaves []tlog.Hash) tlog.Hash {
	if len(leaves) == 1 {
		return leaves[0]
	}
	middle := half(int64(len(leaves)))
	return tlog.NodeHash(rootOf(leaves[:middle]), rootOf(leaves[middle:]))
}

// half is the largest power of 2 below n, which is above 1: so many leaves are on the
// left of a tree of n.
func half(n int64) int64 { return 1 << (bits.Len64(uint64(n-1)) - 1) }

// stored are hashes in the order in which tlog stores them.
type stored []tlog.Hash

// ReadHashes makes it a tlog.HashReader.
func (s stored) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, x := range indexes {
		out[i] = s[x]
	}
	return out, nil
}

// Size is how many entries the tree has.
func (t *Tree) Size() int64 { return t.size }

// Checkpoint returns the state of the tree, which has at least one entry.
func (t *Tree) Checkpoint(origin string) (Checkpoint, error) {
	return t.Prover(nil).Checkpoint(origin, t.size)
}

// Imprint codes the tree.
func (t *Tree) Imprint(c *imprint.Coder) {
	imprint.Int(c, &t.size)
	for _, list := range []*[]tlog.Hash{(*[]tlog.Hash)(&t.tops), &t.young} {
		imprint.List(c, list, func(h *tlog.Hash) { c.Array(h[:]) })
	}
}

// Checkpoint is a state of a tree.
type Checkpoint struct {
	// Origin names the record; without line feeds, not empty.
	Origin string
	// Size is how many entries the tree has, at least 1: those with cursors 1 to Size.
	Size int64
	Root tlog.Hash
}
