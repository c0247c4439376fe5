package hub

import (
	"context"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// handoverService proves to others what the record says.
type handoverService struct {
	pb.UnimplementedHandoverServiceServer
	notary *notary
	// making has room for one who makes a bundle: it takes memory.
	making chan struct{}
}

func (s *handoverService) GetCheckpoint(context.Context, *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	return &pb.GetCheckpointResponse{Key: s.notary.key.Public, Checkpoint: s.notary.latest()}, nil
}

func (s *handoverService) SignCheckpoint(ctx context.Context, r *pb.SignCheckpointRequest) (*pb.SignCheckpointResponse, error) {
	n := s.notary
	if err := n.await(ctx, n.scribe.ledger.Last()); err != nil {
		return nil, err
	}
	e, err := n.scribe.take(ctx, r, func(*book.Book, time.Time) (*pb.Entry, error) {
		m, err := n.draft()
		return &pb.Entry{Body: &pb.Entry_CheckpointSigned{CheckpointSigned: m}}, err
	})
	if err != nil {
		return nil, err
	}
	return &pb.SignCheckpointResponse{Checkpoint: e.GetCheckpointSigned(), Cursor: e.GetCursor()}, nil
}

func (s *handoverService) ProveGrowth(ctx context.Context, r *pb.ProveGrowthRequest) (*pb.ProveGrowthResponse, error) {
	p := s.notary.prover(ctx, s.notary.scribe.ledger)
	if size := uint64(p.Size()); r.GetFrom() == 0 || r.GetFrom() > r.GetTo() || r.GetTo() > size {
		return nil, invalid("to", "is %d, and from %d: the record has %d entries; give two numbers from 1 to that, the smaller first", r.GetTo(), r.GetFrom(), size)
	}
	proof, err := p.Growth(int64(r.GetFrom()), int64(r.GetTo()))
	if err != nil {
		return nil, damaged(ctx, err)
	}
	answer := &pb.ProveGrowthResponse{}
	for _, h := range proof {
		answer.Proof = append(answer.Proof, h[:])
	}
	return answer, nil
}

func (s *handoverService) CosignCheckpoint(ctx context.Context, r *pb.CosignCheckpointRequest) (*pb.CosignCheckpointResponse, error) {
	if err := first(checkText("note", r.GetNote(), longestText), checkText("key", r.GetKey(), longestText)); err != nil {
		return nil, err
	}
	c, err := s.notary.checkCosigned(ctx, r.GetNote(), r.GetKey())
	if err != nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_CHECKPOINT_UNKNOWN, "note: %v: cosign the checkpoint that this hub gives, as it is", err)
	}
	e, err := s.notary.scribe.take(ctx, r, func(*book.Book, time.Time) (*pb.Entry, error) {
		return &pb.Entry{Body: &pb.Entry_CheckpointCosigned{CheckpointCosigned: &pb.CheckpointCosigned{
			Note: r.GetNote(), Size: uint64(c.Size), Key: r.GetKey(),
		}}}, nil
	})
	return &pb.CosignCheckpointResponse{Cursor: e.GetCursor()}, err
}

const (
	mostBundled = 50
	// pieceBytes of a bundle go into a message.
	pieceBytes = 256 << 10
)

func (s *handoverService) MakeBundle(r *pb.MakeBundleRequest, stream grpc.ServerStreamingServer[pb.MakeBundleResponse]) error {
	if n := len(r.GetSamples()); n == 0 || n > mostBundled {
		return invalid("samples", "are %d: name 1 to %d", n, mostBundled)
	}
	ctx := stream.Context()
	select {
	case s.making <- struct{}{}:
		defer func() { <-s.making }()
	case <-ctx.Done():
		return ctx.Err()
	}
	bundle, err := s.bundle(ctx, r)
	if err != nil {
		return err
	}
	for len(bundle) > 0 {
		n := min(len(bundle), pieceBytes)
		if err := stream.Send(&pb.MakeBundleResponse{Piece: bundle[:n]}); err != nil {
			return err
		}
		bundle = bundle[n:]
	}
	return nil
}

func (s *handoverService) bundle(ctx context.Context, r *pb.MakeBundleRequest) ([]byte, error) {
	n := s.notary
	v := newEvidence(n.scribe)
	if err := v.of(ctx, r.GetSamples()); err != nil {
		return nil, damaged(ctx, err)
	}
	entries := v.sorted()
	text, keys, err := s.checkpoint(ctx, r.GetWitness(), entries[len(entries)-1].Cursor)
	if err != nil {
		return nil, err
	}
	bundle, err := n.prover(ctx, n.scribe.ledger).Bundle(text, keys, entries)
	return bundle, damaged(ctx, err)
}

// checkpoint returns a signed checkpoint that reaches to an entry, and the keys of those
// who signed it.
func (s *handoverService) checkpoint(ctx context.Context, witness string, last uint64) (string, []note.Verifier, error) {
	n := s.notary
	own, err := n.verifier()
	if err != nil {
		return "", nil, err
	}
	if witness == "" {
		e := &pb.Entry{}
		sign(ctx, e, "")
		m, err := n.covering(ctx, last, e)
		if err != nil {
			return "", nil, err
		}
		return m.GetNote(), []note.Verifier{own}, n.await(ctx, m.GetSize())
	}
	m := n.cosignedBy(witness)
	if m.GetSize() < last {
		return "", nil, refuse(pb.ErrorReason_ERROR_REASON_NOT_WITNESSED,
			"witness: %q has signed nothing of this record that reaches to entry %d, the last of these samples (but up to %d): have the record signed and witnessed once more", witness, last, m.GetSize())
	}
	other, err := seal.ParsePublic(m.GetKey())
	return m.GetNote(), []note.Verifier{own, other}, err
}

// damaged turns an error that is no refusal into that of a record that cannot be read.
func damaged(ctx context.Context, err error) error {
	if _, answered := status.FromError(err); answered {
		return err
	}
	return ended(ctx, err)
}
