package hub

import (
	"context"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // the codec that wire wraps
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// frameBytes is about how large a message to a subscriber grows. Larger ones save
// nothing and make it wait.
const frameBytes = 256 << 10

// Subscribe delivers entries as they are stored. It does not parse them: the
// stored bytes are put into the response as they are, so that a subscriber can
// check the chain, and so that delivering costs next to nothing.
func (s *recordService) Subscribe(r *pb.SubscribeRequest, stream grpc.ServerStreamingServer[pb.SubscribeResponse]) error {
	if id := r.GetRecordId(); id != "" && id != s.scribe.ledger.RecordID() {
		return refuse(pb.ErrorReason_ERROR_REASON_RECORD_MISMATCH,
			"record_id: cursor %d belongs to record %s, and this hub keeps record %s: subscribe from the start, or to the other hub", r.GetAfter(), id, s.scribe.ledger.RecordID())
	}
	end := s.scribe.ledger.Last()
	if r.GetAfter() > end {
		return refuse(pb.ErrorReason_ERROR_REASON_CURSOR_AHEAD,
			"after: cursor %d is beyond the end of the record, %d: it is of another record, or this one has been restored from an older copy", r.GetAfter(), end)
	}
	filter, err := newSieve(r.GetFilter(), s.ofRoast)
	if err != nil {
		return err
	}
	who, leave := s.subscribers.enter(stream.Context(), r.GetAfter())
	defer leave()
	d := delivery{service: s, who: who, stream: stream, records: r.GetWithRecords(), sent: r.GetAfter()}
	if r.GetAfter() == end {
		if err := d.send(end, true); err != nil || r.GetStopAtEnd() {
			return err
		}
	}
	ctx, cancel := untilStopping(stream.Context(), s.stopping)
	defer cancel()
	reader := s.scribe.ledger.Read(r.GetAfter())
	caughtUp := r.GetAfter() == end
	for {
		entries, err := reader.Next(ctx)
		if err != nil {
			return ended(stream.Context(), err)
		}
		for _, e := range entries {
			if filter.passes(e) {
				d.add(e.Bytes)
			}
			reached := !caughtUp && e.Cursor >= end
			caughtUp = caughtUp || reached
			if reached || len(d.frame) >= frameBytes {
				if err := d.send(e.Cursor, reached); err != nil {
					return err
				}
				if reached && r.GetStopAtEnd() {
					return nil
				}
			}
		}
		if last := entries[len(entries)-1].Cursor; last > d.sent {
			if err := d.send(last, false); err != nil {
				return err
			}
		}
	}
}

// untilStopping returns a context that also ends when the hub stops.
func untilStopping(ctx context.Context, stopping <-chan struct{}) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		select {
		case <-stopping:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

// delivery puts messages for one subscriber together.
type delivery struct {
	service *recordService
	who     *subscriber
	stream  grpc.ServerStream
	records bool
	sent    uint64 // cursor of the last message
	frame   []byte // a SubscribeResponse on the wire, as far as it goes
}

// Field numbers of SubscribeResponse.
const (
	fieldEntries  = protowire.Number(1)
	fieldRecords  = protowire.Number(2)
	fieldCursor   = protowire.Number(3)
	fieldCaughtUp = protowire.Number(4)
)

func (d *delivery) add(entry []byte) {
	d.frame = protowire.AppendTag(d.frame, fieldEntries, protowire.BytesType)
	d.frame = protowire.AppendBytes(d.frame, entry)
}

func (d *delivery) send(cursor uint64, caughtUp bool) error {
	if d.records {
		records, err := d.service.changed(d.stream.Context(), d.sent, cursor)
		if err != nil {
			return err
		}
		for _, r := range records {
			b, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
			if err != nil {
				return fmt.Errorf("marshal the record of %s: %w", r.GetSample(), err)
			}
			d.frame = protowire.AppendTag(d.frame, fieldRecords, protowire.BytesType)
			d.frame = protowire.AppendBytes(d.frame, b)
		}
	}
	d.frame = protowire.AppendTag(d.frame, fieldCursor, protowire.VarintType)
	d.frame = protowire.AppendVarint(d.frame, cursor)
	if caughtUp {
		d.frame = protowire.AppendTag(d.frame, fieldCaughtUp, protowire.VarintType)
		d.frame = protowire.AppendVarint(d.frame, 1)
	}
	frame := wireFrame(d.frame)
	// gRPC keeps the frame until it is sent; the next will be about as long.
	d.sent, d.frame = cursor, make([]byte, 0, len(frame))
	if err := d.stream.SendMsg(frame); err != nil {
		return err
	}
	d.who.sent.Store(cursor)
	return nil
}

// changed returns the records that entries in (after, upTo] changed.
func (s *recordService) changed(ctx context.Context, after, upTo uint64) (list []*pb.SampleRecord, err error) {
	err = s.scribe.read(ctx, func(b *book.Book) { list = b.Changed(after, upTo) })
	return list, err
}

// wireFrame is a message that is on the wire already.
type wireFrame []byte

// wireCodec is the codec for protocol buffers that also takes messages which are
// on the wire already.
type wireCodec struct{ encoding.CodecV2 }

func newWireCodec() encoding.CodecV2 { return wireCodec{encoding.GetCodecV2("proto")} }

func (c wireCodec) Marshal(v any) (mem.BufferSlice, error) {
	if f, ok := v.(wireFrame); ok {
		return mem.BufferSlice{mem.SliceBuffer(f)}, nil
	}
	return c.CodecV2.Marshal(v)
}
