package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The limits are measured with the very bytes that the hub stored. They are in a file:
// for each entry its length and the number of its readings, four bytes each, then the
// entry.

// keep saves what the hub stored under a load.
func (b *bench) keep(ctx context.Context, h *hub, l load) error {
	path := filepath.Join(b.dir, "kept-"+l.Name)
	p, err := b.role(ctx, "keep", task{Address: h.address, File: path})
	if err != nil {
		return err
	}
	s, err := p.saw()
	if err == nil && s.Readings < l.Readings {
		err = fmt.Errorf("keep what the hub stored of %s: it has %d of %d readings", l.Name, s.Readings, l.Readings)
	}
	b.kept[l.Name] = path
	return errors.Join(err, p.stop())
}

// keepEntries is the process that does so.
func keepEntries(ctx context.Context, t task) error {
	conn, err := follow.Dial(t.Address, grpc.WithDefaultCallOptions(grpc.ForceCodecV2(bytesCodec{encoding.GetCodecV2("proto")})))
	if err != nil {
		return err
	}
	defer conn.Close()
	file, err := os.Create(t.File)
	if err != nil {
		return err
	}
	defer file.Close()
	out := bufio.NewWriterSize(file, 1<<20)
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, pb.RecordService_Subscribe_FullMethodName)
	if err == nil {
		err = errors.Join(stream.SendMsg(&pb.SubscribeRequest{Filter: &pb.EntryFilter{Kinds: []string{"readings"}}, StopAtEnd: true}), stream.CloseSend())
	}
	if err == nil {
		err = sayReady()
	}
	var s seen
	for err == nil {
		var frame []byte
		if err = stream.RecvMsg(&frame); err == nil {
			s.Readings, err = keepFrame(out, frame, s.Readings)
		}
	}
	if !errors.Is(err, io.EOF) {
		return err
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return say(os.Stdout, s)
}

// keepFrame writes the entries of a SubscribeResponse as they stand in it.
func keepFrame(out io.Writer, frame []byte, readings int) (int, error) {
	for len(frame) > 0 {
		number, kind, n := protowire.ConsumeTag(frame)
		if n < 0 {
			return readings, protowire.ParseError(n)
		}
		m := protowire.ConsumeFieldValue(number, kind, frame[n:])
		if m < 0 {
			return readings, protowire.ParseError(m)
		}
		field := frame[n : n+m]
		frame = frame[n+m:]
		if number != fieldEntries {
			continue
		}
		entry, _ := protowire.ConsumeBytes(field)
		var e pb.Entry
		if err := proto.Unmarshal(entry, &e); err != nil {
			return readings, err
		}
		count := e.GetReadings().GetCount()
		readings += int(count)
		head := binary.LittleEndian.AppendUint32(nil, uint32(len(entry)))
		head = binary.LittleEndian.AppendUint32(head, count)
		if _, err := out.Write(append(head, entry...)); err != nil {
			return readings, err
		}
	}
	return readings, nil
}

// Field numbers of SubscribeResponse.
const (
	fieldEntries = protowire.Number(1)
	fieldCursor  = protowire.Number(3)
)

// keptEntry is an entry as the hub stored it.
type keptEntry struct {
	bytes    []byte
	readings int
}

// keptFile reads kept entries.
type keptFile struct {
	file *os.File
	in   *bufio.Reader
}

func openKept(path string) (*keptFile, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open what the hub stored: %w", err)
	}
	return &keptFile{f, bufio.NewReaderSize(f, 1<<20)}, nil
}

// next returns the next entry, and io.EOF after the last.
func (k *keptFile) next() (keptEntry, error) {
	var head [8]byte
	if _, err := io.ReadFull(k.in, head[:]); err != nil {
		return keptEntry{}, err
	}
	e := keptEntry{make([]byte, binary.LittleEndian.Uint32(head[:4])), int(binary.LittleEndian.Uint32(head[4:]))}
	_, err := io.ReadFull(k.in, e.bytes)
	return e, err
}

func (k *keptFile) Close() error { return k.file.Close() }

// bytesCodec is the codec of protocol buffers that also takes and gives bytes.
type bytesCodec struct{ encoding.CodecV2 }

func (c bytesCodec) Marshal(v any) (mem.BufferSlice, error) {
	if b, ok := v.([]byte); ok {
		return mem.BufferSlice{mem.SliceBuffer(b)}, nil
	}
	return c.CodecV2.Marshal(v)
}

func (c bytesCodec) Unmarshal(data mem.BufferSlice, v any) error {
	if b, ok := v.(*[]byte); ok {
		*b = data.Materialize()
		return nil
	}
	return c.CodecV2.Unmarshal(data, v)
}
