package hub

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"
	"golang.org/x/mod/sumdb/note"

	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The record is signed by itself when an hour has passed since it was last looked at and
// something has been recorded, and when so many entries have been since: what somebody
// could still change without anybody having signed otherwise is never more than that.
const (
	signEvery   = time.Hour
	signEntries = 50_000
)

// originPrefix and the record's id are the origin of its checkpoints.
const originPrefix = "evenbench/"

// notary signs the record and proves entries by what was signed.
type notary struct {
	*proofs
	scribe *scribe
	key    seal.Key
	log    *zap.Logger
	// due has something in it when so many entries are new that the record is to be signed.
	due chan struct{}
}

func newNotary(p *proofs, s *scribe, key seal.Key, log *zap.Logger) *notary {
	return &notary{p, s, key, log, make(chan struct{}, 1)}
}

func (n *notary) origin() string { return originPrefix + n.scribe.ledger.RecordID() }

// verifier returns what opens what the lab signs.
func (n *notary) verifier() (note.Verifier, error) { return seal.ParsePublic(n.key.Public) }

// run keeps the tree up to date and signs the record, until ctx ends.
func (n *notary) run(ctx context.Context) {
	ctx, cancel := context.WithCancel(ctx)
	signs := make(chan struct{})
	go func() {
		defer close(signs)
		n.signNowAndThen(ctx)
	}()
	if err := n.follow(ctx); ctx.Err() == nil && !errors.Is(err, ledger.ErrClosed) {
		n.log.Error("the record is not signed any more until the hub starts anew", zap.Error(err))
	}
	cancel()
	<-signs
}

// notarize lets the notary work until the hub stops.
func (h *Hub) notarize() {
	defer close(h.signs)
	ctx, cancel := untilStopping(context.Background(), h.stopping)
	defer cancel()
	h.notary.run(ctx)
}

// follow lets the tree grow with the record, until it cannot.
func (n *notary) follow(ctx context.Context) error {
	n.mu.Lock()
	size := n.tree.Size()
	n.mu.Unlock()
	for reader := n.scribe.ledger.Read(uint64(size)); ; {
		entries, err := reader.Next(ctx)
		if err != nil {
			return err
		}
		for _, s := range entries {
			if err := n.add(s); err != nil {
				return err
			}
		}
		n.wake()
		if n.isDue(signEntries) {
			select {
			case n.due <- struct{}{}:
			default:
			}
		}
	}
}

// isDue tells whether so many entries are behind the last checkpoint.
func (n *notary) isDue(entries uint64) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.news >= entries
}

func (n *notary) signNowAndThen(ctx context.Context) {
	hourly := time.NewTicker(signEvery)
	defer hourly.Stop()
	for {
		least := uint64(signEntries)
		select {
		case <-ctx.Done():
			return
		case <-n.due:
		case <-hourly.C:
			least = 1
		}
		if !n.isDue(least) {
			continue
		}
		if _, err := n.sign(ctx, &pb.Entry{}); err != nil && ctx.Err() == nil {
			n.log.Warn("the record could not be signed, and it is tried again later", zap.Error(err))
		}
	}
}

// draft returns the checkpoint of the tree as it is, signed.
func (n *notary) draft() (*pb.CheckpointSigned, error) {
	n.mu.Lock()
	c, err := n.tree.Checkpoint(n.origin())
	n.mu.Unlock()
	if err != nil {
		return nil, err
	}
	text, err := seal.Sign(c, n.key)
	if err != nil {
		return nil, err
	}
	return &pb.CheckpointSigned{Note: text, Size: uint64(c.Size), Key: n.key.Public}, nil
}

// sign signs all that is in the record and records that, in an entry that may say already
// for whom.
func (n *notary) sign(ctx context.Context, e *pb.Entry) (*pb.CheckpointSigned, error) {
	if err := n.await(ctx, n.scribe.ledger.Last()); err != nil {
		return nil, err
	}
	m, err := n.draft()
	if err != nil {
		return nil, err
	}
	e.Body = &pb.Entry_CheckpointSigned{CheckpointSigned: m}
	return m, n.scribe.record(ctx, e)
}

// covering returns a checkpoint of the lab's own that reaches to an entry: the latest one,
// or else one that is signed now, for whom the entry says.
func (n *notary) covering(ctx context.Context, cursor uint64, e *pb.Entry) (*pb.CheckpointSigned, error) {
	if m := n.latest(); m.GetSize() >= cursor && m.GetKey() == n.key.Public {
		return m, nil
	}
	return n.sign(ctx, e)
}

// checkCosigned tells whether a note is a checkpoint of this record that the lab has signed, and
// one other, whose key is given.
func (n *notary) checkCosigned(ctx context.Context, text, public string) (seal.Checkpoint, error) {
	own, err := n.verifier()
	if err != nil {
		return seal.Checkpoint{}, err
	}
	other, err := seal.ParsePublic(public)
	if err != nil {
		return seal.Checkpoint{}, err
	}
	c, by, err := seal.Open(text, []note.Verifier{own, other})
	if err != nil {
		return c, err
	}
	if len(by) != 2 || by[1] != other.Name() {
		return c, fmt.Errorf("it is signed by %v; it must be by %s and then by %s", by, own.Name(), other.Name())
	}
	is, err := n.prover(ctx, n.scribe.ledger).Checkpoint(n.origin(), c.Size)
	if err == nil && is != c {
		err = fmt.Errorf("its root is not that of the %d entries of this record", c.Size)
	}
	return c, err
}
