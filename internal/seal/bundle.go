package seal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Entry is one entry of a record, by its cursor, from 1, and its stored bytes.
type Entry struct {
	Cursor uint64
	Bytes  []byte
}

const heading = "evenbench bundle 1"

// Limits of a bundle, so that nobody's file can take a reader's memory.
const (
	// MostBytes of a bundle.
	MostBytes = 64 << 20
	// MostEntryBytes of one entry, which is more than a ledger takes.
	MostEntryBytes = 16 << 20
	// mostUnpacked bytes of all entries together.
	mostUnpacked = 256 << 20
)

// Bundle writes a bundle of entries under a signed checkpoint of the tree, which Open
// takes by the keys. Entries are in order of their cursors, each once.
//
// It is an error if there is no entry, if one is not within the checkpoint, not in order
// or not that of the tree, or if the checkpoint is not one of the tree.
func (p *Prover) Bundle(signed string, keys []note.Verifier, entries []Entry) ([]byte, error) {
	const doing = "bundle entries"
	c, _, err := Open(signed, keys)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	if own, err := p.Checkpoint(c.Origin, c.Size); err != nil || own != c {
		return nil, errors.Join(fmt.Errorf("%s: the checkpoint of %d entries is not of this record", doing, c.Size), err)
	}
	if len(entries) == 0 {
		return nil, fmt.Errorf("%s: there are none", doing)
	}
	var wanted []int64
	hashes := make([][sha256.Size]byte, len(entries))
	for i, e := range entries {
		index := int64(e.Cursor) - 1
		switch {
		case index < 0 || index >= c.Size:
			return nil, fmt.Errorf("%s: entry %d is not within the checkpoint, which has 1 to %d", doing, e.Cursor, c.Size)
		case i > 0 && index <= wanted[i-1]:
			return nil, fmt.Errorf("%s: entry %d stands behind entry %d; give each once, in order", doing, e.Cursor, wanted[i-1]+1)
		case len(e.Bytes) > MostEntryBytes:
			return nil, fmt.Errorf("%s: entry %d has %d bytes; %d at most", doing, e.Cursor, len(e.Bytes), MostEntryBytes)
		}
		g, err := p.grove(index >> groveLevel)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", doing, err)
		}
		if hashes[i] = sha256.Sum256(e.Bytes); leaf(hashes[i]) != g[index%grove] {
			return nil, fmt.Errorf("%s: entry %d is not the one that the tree was made of", doing, e.Cursor)
		}
		wanted = append(wanted, index)
	}
	proof, err := p.prove(0, c.Size, wanted)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	return write(signed, proof, entries, hashes)
}

func write(signed string, proof []tlog.Hash, entries []Entry, hashes [][sha256.Size]byte) ([]byte, error) {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\ncheckpoint %d\n%s", heading, strings.Count(signed, "\n"), signed)
	fmt.Fprintf(&b, "proof %d\n", len(proof))
	for _, h := range proof {
		fmt.Fprintf(&b, "%s\n", h)
	}
	fmt.Fprintf(&b, "entries %d\n", len(entries))
	var before follower
	for from := 0; from < len(entries); from += blockEntries {
		to := min(from+blockEntries, len(entries))
		packed, err := before.pack(entries[from:to], hashes[from:to])
		if err != nil {
			return nil, fmt.Errorf("bundle entries from %d on: %w", entries[from].Cursor, err)
		}
		fmt.Fprintf(&b, "block %d %d %d %d\n%s\n", entries[from].Cursor, entries[to-1].Cursor, to-from, len(packed), packed)
	}
	fmt.Fprintf(&b, "end %x\n", sha256.Sum256(b.Bytes()))
	if b.Len() > MostBytes {
		return nil, fmt.Errorf("bundle entries: they take %d bytes; %d at most", b.Len(), MostBytes)
	}
	return b.Bytes(), nil
}

// Opened is a bundle that holds.
type Opened struct {
	Checkpoint Checkpoint
	// SignedBy are the names of the keys that signed, the lab's first.
	SignedBy []string
	// Entries in order of their cursors.
	Entries []Entry
}

// Altered says that a bundle does not hold.
type Altered struct {
	// Where in the bundle: "entry 812", "checkpoint", "proof", "line 3".
	Where string
	// Cursor of the entry, or of the first of several; 0 if it is none or not known.
	Cursor uint64
	What   string
	// Bytes of a damaged entry as they are, and what its hash should begin with.
	bytes []byte
	check [checkBytes]byte
}

// Entry returns the bytes of an entry that does not have the hash that is written beside
// it; nil if that is not what is wrong.
func (a *Altered) Entry() []byte { return a.bytes }

// Fits tells whether bytes may be those that the entry had.
func (a *Altered) Fits(entry []byte) bool {
	hash := sha256.Sum256(entry)
	return [checkBytes]byte(hash[:checkBytes]) == a.check
}

func (a *Altered) Error() string { return fmt.Sprintf("verify a bundle: %s: %s", a.Where, a.What) }

// Verify checks a bundle by the keys of those who signed its checkpoint, the lab's first,
// and returns what it holds. Any other error than one of the keys is an *Altered, which
// says where: an entry whose bytes are not those of their hash, a signature that does not
// hold, a proof that does not lead to the root. Somebody who changed an entry and its
// hash together is found by the root; which entry it was is said if the one that follows
// it is in the bundle and was not changed as well, for that holds its hash.
func Verify(bundle []byte, keys []note.Verifier) (Opened, error) {
	return verify(bundle, keys, Entry{})
}

// Mends tells whether a bundle would hold, had an entry other bytes, of which there are as
// many.
func Mends(bundle []byte, keys []note.Verifier, entry Entry) bool {
	_, err := verify(bundle, keys, entry)
	return err == nil
}

func verify(bundle []byte, keys []note.Verifier, mended Entry) (Opened, error) {
	if len(keys) == 0 {
		return Opened{}, fmt.Errorf("verify a bundle: no key is given; ask the lab for its public key, not the bundle")
	}
	p, err := read(bundle)
	if err != nil {
		return Opened{}, err
	}
	entries, hashes, err := p.unpack(mended)
	if err != nil {
		return Opened{}, err
	}
	c, by, err := Open(p.checkpoint, keys)
	if err != nil {
		return Opened{}, &Altered{Where: "checkpoint", What: err.Error()}
	}
	if err := leads(entries, hashes, p.proof, c); err != nil {
		return Opened{}, err
	}
	if !p.whole && mended.Bytes == nil {
		return Opened{}, &Altered{Where: "end", What: "the file is not as it was written, though what it says still holds"}
	}
	return Opened{Checkpoint: c, SignedBy: by, Entries: entries}, nil
}

func altered(cursor uint64, what string, args ...any) *Altered {
	return &Altered{Where: fmt.Sprintf("entry %d", cursor), Cursor: cursor, What: fmt.Sprintf(what, args...)}
}

// leads checks that entries and proof lead to the root of a checkpoint.
func leads(entries []Entry, hashes [][sha256.Size]byte, proof []tlog.Hash, c Checkpoint) error {
	wanted, leaves := make([]int64, len(entries)), make([]tlog.Hash, len(entries))
	for i, e := range entries {
		if e.Cursor > uint64(c.Size) {
			return altered(e.Cursor, "it is not within the checkpoint, which has 1 to %d", c.Size)
		}
		wanted[i], leaves[i] = int64(e.Cursor)-1, leaf(hashes[i])
	}
	root, left, err := climb(0, c.Size, wanted, leaves, proof)
	if err == nil && len(left) > 0 {
		err = fmt.Errorf("%d hashes are left over", len(left))
	}
	if err != nil {
		return &Altered{Where: "proof", What: err.Error()}
	}
	if root == c.Root {
		return nil
	}
	for i, e := range entries[1:] {
		if b := entries[i]; e.Cursor == b.Cursor+1 && !bytes.Contains(e.Bytes, hashes[i][:]) {
			return altered(b.Cursor, "it is not in the record that was signed: the entry after it holds another hash")
		}
	}
	return &Altered{Where: "proof", What: "entries and proof do not lead to the root that was signed: one of them was changed, together with its hash"}
}

func hexHash(s string) (h [sha256.Size]byte, ok bool) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != len(h) || hex.EncodeToString(b) != s {
		return h, false
	}
	return [sha256.Size]byte(b), true
}

// Rewrite writes a bundle anew with other bytes in its entries, and leaves everything else
// as it is: what somebody would do who wants to change one. It is for tests.
func Rewrite(bundle []byte, entries []Entry) ([]byte, error) {
	p, err := read(bundle)
	if err != nil {
		return nil, err
	}
	_, hashes, err := p.unpack(Entry{})
	if err != nil {
		return nil, err
	}
	return write(p.checkpoint, p.proof, entries, hashes)
}
