package main

import (
	"context"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	"google.golang.org/protobuf/encoding/protowire"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func streamWay() way {
	return way{
		name:  "gRPC alone",
		about: "the limit of the line: the same messages from one process to another, and no disk",
		most:  hubWay().most,
		open: func(ctx context.Context, p place, l load) (keeper, error) {
			address, err := freeAddresses(1)
			if err != nil {
				return nil, err
			}
			k := &streamKeeper{place: p, address: address[0]}
			k.process, err = p.bench.role(ctx, "stream", task{Address: k.address, File: p.bench.kept[l.Name], Gate: p.gate(), Load: l})
			return k, err
		},
	}
}

type streamKeeper struct {
	place
	address string
	process *child
}

func (k *streamKeeper) Subscribe(ctx context.Context, t task) (*child, error) {
	t.Address = k.address
	return k.bench.role(ctx, "stream-take", t)
}

func (k *streamKeeper) Size(context.Context) (int64, error) { return -1, nil }

func (k *streamKeeper) Memory() (int64, error) { return memoryOf(k.process.pid()) }

func (k *streamKeeper) Stop() error { return k.process.stop() }

// bareMethod is a stream of SubscribeResponse, as the hub's.
const bareMethod = "/loadlab.Bare/Entries"

// frameBytes is what one message carries at full speed.
const frameBytes = 64 << 10

// streamEntries is the sending process. The cursor of its messages is the moment they
// were due, in nanoseconds since 1970.
func streamEntries(ctx context.Context, t task) error {
	s := grpc.NewServer(grpc.ForceServerCodecV2(bytesCodec{encoding.GetCodecV2("proto")}))
	s.RegisterService(&grpc.ServiceDesc{
		ServiceName: "loadlab.Bare", HandlerType: (*any)(nil),
		Streams: []grpc.StreamDesc{{StreamName: "Entries", ServerStreams: true, Handler: func(_ any, stream grpc.ServerStream) error {
			var ask pb.SubscribeRequest
			if err := stream.RecvMsg(&ask); err != nil {
				return err
			}
			if err := awaitGate(stream.Context(), t.Gate); err != nil {
				return err
			}
			return sendKept(stream, t)
		}}},
	}, struct{}{})
	listener, err := net.Listen("tcp", t.Address)
	if err != nil {
		return err
	}
	go func() {
		<-ctx.Done()
		s.Stop()
	}()
	if err := sayReady(); err != nil {
		return err
	}
	return s.Serve(listener)
}

func sendKept(stream grpc.ServerStream, t task) error {
	var frame []byte
	send := func(due time.Time) error {
		if len(frame) == 0 {
			return nil
		}
		frame = protowire.AppendTag(frame, fieldCursor, protowire.VarintType)
		frame = protowire.AppendVarint(frame, uint64(due.UnixNano()))
		full := frame
		// gRPC keeps the frame until it is sent.
		frame = make([]byte, 0, len(full))
		return stream.SendMsg(full)
	}
	err := replay(stream.Context(), t.File, t.Load.PerSecond, func(e dueEntry) error {
		frame = protowire.AppendTag(frame, fieldEntries, protowire.BytesType)
		frame = protowire.AppendBytes(frame, e.bytes)
		if t.Load.PerSecond == 0 && len(frame) < frameBytes {
			return nil
		}
		return send(e.due)
	})
	if err == nil {
		err = send(time.Now())
	}
	return err
}

// takeStream is the receiving process.
func takeStream(ctx context.Context, t task) error {
	conn, err := follow.Dial(t.Address)
	if err != nil {
		return err
	}
	defer conn.Close()
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, bareMethod, grpc.WaitForReady(true))
	if err != nil {
		return err
	}
	if err := stream.SendMsg(&pb.SubscribeRequest{}); err != nil {
		return err
	}
	if err := sayReady(); err != nil {
		return err
	}
	l := newTally(t.Until)
	return report(ctx, t, l, func(ctx context.Context) error {
		for {
			var m pb.SubscribeResponse
			if err := stream.RecvMsg(&m); err != nil {
				return err
			}
			came, due := time.Now(), time.Unix(0, int64(m.GetCursor()))
			for _, e := range m.GetEntries() {
				for range e.GetReadings().Rows() {
					l.add(due, came)
				}
			}
		}
	})
}
