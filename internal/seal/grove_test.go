package seal_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/imprint"
	"github.com/evenbench/evenbench/internal/seal"
	"golang.org/x/mod/sumdb/tlog"
)

// plain is a tree as tlog has it, with every hash kept.
type plain []tlog.Hash

func (p plain) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, x := range indexes {
		out[i] = p[x]
	}
	return out, nil
}

// A tree that keeps the roots of its groves alone comes to the checkpoints and proofs of
// one that keeps every hash, and goes on from where it was written down.
func TestTreeOfGrovesIsTlogs(t *testing.T) {
	const entries = 5*1024 + 300
	r, all := &record{}, plain{}
	for i := range int64(entries) {
		hash := sha256.Sum256(binary.AppendVarint(nil, i))
		r.Append(hash)
		more, err := tlog.StoredHashes(i, hash[:], all)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, more...)
		if i%700 == 0 { // the hub ends, and another one goes on
			var written bytes.Buffer
			c := imprint.Write(&written)
			r.Imprint(c)
			if err := c.End(); err != nil {
				t.Fatal(err)
			}
			r.Tree = seal.Tree{}
			read := imprint.Read(written.Bytes())
			r.Imprint(read)
			if err := read.End(); err != nil {
				t.Fatal(err)
			}
			if written.Len() > 1024*(32+1)+10*32+20 {
				t.Errorf("%d entries take %d bytes", i+1, written.Len())
			}
		}
	}
	draw := rand.New(rand.NewPCG(5, 1024))
	p := r.prover()
	for _, size := range append([]int64{1, 2, 1023, 1024, 1025, 2048, 3072, 4096, 5120, entries}, draw.Int64N(entries)+1, draw.Int64N(entries)+1) {
		c, err := p.Checkpoint("r", size)
		if err != nil {
			t.Fatal(err)
		}
		if want, err := tlog.TreeHash(size, all); err != nil || c.Root != want {
			t.Errorf("of %d entries the root is %v, and tlog's %v (%v)", size, c.Root, want, err)
		}
		from := draw.Int64N(size) + 1
		proof, err := p.Growth(from, size)
		if err != nil {
			t.Fatal(err)
		}
		older, err := tlog.TreeHash(from, all)
		if err != nil {
			t.Fatal(err)
		}
		if err := seal.CheckGrowth(seal.Checkpoint{Origin: "r", Size: from, Root: older}, c, proof); err != nil {
			t.Error(err)
		}
	}
	if c, err := r.Tree.Checkpoint("r"); err != nil || c.Size != entries {
		t.Errorf("%+v, %v", c, err)
	}
}

// Entries that are not those of the tree any more are not proved.
func TestGroveOfOtherEntriesIsRefused(t *testing.T) {
	r := tree(chain(1500))
	r.hashes[700][3]++
	if _, err := r.prover().Growth(3, 1400); err == nil || !strings.Contains(err.Error(), "entries 1 to 1024 are not those that the tree was made of") {
		t.Error(err)
	}
}
