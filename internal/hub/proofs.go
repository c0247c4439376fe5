package hub

import (
	"context"
	"crypto/sha256"
	"maps"
	"slices"
	"sync"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/evenbench/evenbench/internal/imprint"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// proofs is the hash tree of the record, and what was signed of it. It is filled while the
// ledger is folded, and then with every entry that is on disk.
type proofs struct {
	mu   sync.Mutex
	tree seal.Tree
	// news is how many entries behind the last checkpoint are no signatures.
	news   uint64
	signed *pb.CheckpointSigned // the latest; nil: none was
	// cosigned are the latest checkpoints that others signed, by their public keys.
	cosigned map[string]*pb.CheckpointCosigned
	// grown is closed when the tree has more entries.
	grown chan struct{}
}

func newProofs() *proofs {
	return &proofs{cosigned: map[string]*pb.CheckpointCosigned{}, grown: make(chan struct{})}
}

// imprint codes where the tree stands.
func (p *proofs) imprint(c *imprint.Coder) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.tree.Imprint(c)
	imprint.Int(c, &p.news)
	imprint.Message(c, &p.signed)
	keys := slices.Sorted(maps.Keys(p.cosigned))
	imprint.List(c, &keys, func(key *string) {
		c.Text(key)
		m := p.cosigned[*key]
		imprint.Message(c, &m)
		p.cosigned[*key] = m
	})
}

// Field numbers of what is signed, in Entry.
var (
	kindSigned   = bodyNumber("checkpoint_signed")
	kindCosigned = bodyNumber("checkpoint_cosigned")
)

func bodyNumber(name string) protowire.Number {
	for i := range entryBody.Fields().Len() {
		if f := entryBody.Fields().Get(i); string(f.Name()) == name {
			return f.Number()
		}
	}
	return 0
}

// add takes in the entry that follows.
func (p *proofs) add(s ledger.Stored) error {
	hash := sha256.Sum256(s.Bytes)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.tree.Append(hash)
	if s.Kind != kindSigned && s.Kind != kindCosigned {
		p.news++
		return nil
	}
	e, err := s.Entry()
	if err != nil {
		return err
	}
	if m := e.GetCheckpointSigned(); m != nil {
		p.signed, p.news = m, uint64(p.tree.Size())-1-min(m.GetSize(), uint64(p.tree.Size())-1)
	}
	if m := e.GetCheckpointCosigned(); m != nil {
		p.cosigned[m.GetKey()] = m
	}
	return nil
}

// wake lets those who wait for the tree look again.
func (p *proofs) wake() {
	p.mu.Lock()
	defer p.mu.Unlock()
	close(p.grown)
	p.grown = make(chan struct{})
}

// await returns once the tree has so many entries.
func (p *proofs) await(ctx context.Context, size uint64) error {
	for {
		p.mu.Lock()
		have, grown := uint64(p.tree.Size()), p.grown
		p.mu.Unlock()
		if have >= size {
			return nil
		}
		select {
		case <-grown:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// latest returns the latest checkpoint that was signed; nil if none was.
func (p *proofs) latest() *pb.CheckpointSigned {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.signed
}

// cosignedBy returns the latest checkpoint that somebody of a name has signed, too; nil if
// nobody has.
func (p *proofs) cosignedBy(name string) (latest *pb.CheckpointCosigned) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for key, m := range p.cosigned {
		if v, err := seal.ParsePublic(key); err == nil && v.Name() == name && m.GetSize() >= latest.GetSize() {
			latest = m
		}
	}
	return latest
}

// prover returns a prover of the tree as it is, which reads the ledger for what it needs.
func (p *proofs) prover(ctx context.Context, l *ledger.Ledger) *seal.Prover {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.tree.Prover(func(first uint64, n int) ([][sha256.Size]byte, error) {
		hashes := make([][sha256.Size]byte, 0, n)
		for reader := l.Read(first - 1); len(hashes) < n; {
			entries, err := reader.Next(ctx)
			if err != nil {
				return nil, err
			}
			for _, s := range entries[:min(len(entries), n-len(hashes))] {
				hashes = append(hashes, sha256.Sum256(s.Bytes))
			}
		}
		return hashes, nil
	})
}
