package fakehub

import (
	"context"
	"crypto/sha256"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// LabKey signs for the fake hub. It is the same in every test, so that what is signed is.
// Stranger is of the same name, and of nobody.
var LabKey, Stranger = mustKey(1, "cerro-azul"), mustKey(2, "cerro-azul")

// mustKey makes a key of bytes that are all the same.
func mustKey(b byte, name string) seal.Key {
	k, err := seal.NewKey(strings.NewReader(strings.Repeat(string(b), 32)), name)
	if err != nil {
		panic(err)
	}
	return k
}

// signed is the record as it is stored and signed.
type signed struct {
	entries []seal.Entry
	prover  *seal.Prover
	note    *pb.CheckpointSigned
	keys    []note.Verifier
}

// sign chains, stores and signs the entries.
func (h *Hub) sign() (*signed, error) {
	s := &signed{}
	var tree seal.Tree
	var hashes [][sha256.Size]byte
	previous := make([]byte, sha256.Size)
	for _, e := range h.Entries {
		e := proto.CloneOf(e)
		e.PreviousHash = previous
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(e)
		if err != nil {
			return nil, err
		}
		hash := sha256.Sum256(b)
		s.entries = append(s.entries, seal.Entry{Cursor: e.GetCursor(), Bytes: b})
		hashes, previous = append(hashes, hash), hash[:]
		tree.Append(hash)
	}
	s.prover = tree.Prover(func(first uint64, n int) ([][sha256.Size]byte, error) { return hashes[first-1:][:n], nil })
	c, err := tree.Checkpoint("evenbench/" + h.Info.GetRecordId())
	if err != nil {
		return nil, err
	}
	text, err := seal.Sign(c, LabKey)
	if err != nil {
		return nil, err
	}
	v, err := seal.ParsePublic(LabKey.Public)
	s.note, s.keys = &pb.CheckpointSigned{Note: text, Size: uint64(c.Size), Key: LabKey.Public}, []note.Verifier{v}
	return s, err
}

func (h *Hub) GetCheckpoint(context.Context, *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	s, err := h.sign()
	return &pb.GetCheckpointResponse{Key: LabKey.Public, Checkpoint: s.note}, err
}

func (h *Hub) ProveGrowth(_ context.Context, req *pb.ProveGrowthRequest) (*pb.ProveGrowthResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	s, err := h.sign()
	if err != nil {
		return nil, err
	}
	proof, err := s.prover.Growth(int64(req.GetFrom()), int64(req.GetTo()))
	answer := &pb.ProveGrowthResponse{}
	for _, x := range proof {
		answer.Proof = append(answer.Proof, x[:])
	}
	return answer, err
}

func (h *Hub) CosignCheckpoint(_ context.Context, req *pb.CosignCheckpointRequest) (*pb.CosignCheckpointResponse, error) {
	return once(h, req, func() (*pb.CosignCheckpointResponse, error) {
		return &pb.CosignCheckpointResponse{Cursor: h.last() + 1}, nil
	})
}

// MakeBundle bundles all entries, whatever the samples.
func (h *Hub) MakeBundle(req *pb.MakeBundleRequest, stream grpc.ServerStreamingServer[pb.MakeBundleResponse]) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, code := range req.GetSamples() {
		if _, err := h.record(code); err != nil {
			return Refuse(codes.NotFound, pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN, "sample: there is no %q", code)
		}
	}
	s, err := h.sign()
	if err != nil {
		return err
	}
	b, err := s.prover.Bundle(s.note.GetNote(), s.keys, s.entries)
	if err != nil {
		return err
	}
	for _, piece := range [][]byte{b[:len(b)/2], b[len(b)/2:]} {
		if err := stream.Send(&pb.MakeBundleResponse{Piece: piece}); err != nil {
			return err
		}
	}
	return nil
}
