package backup

import (
	"bufio"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // the codec that stored wraps
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Saved is what a backup did.
type Saved struct {
	Contents
	// Added entries; the rest was there already.
	Added uint64
	// Mended says that an interrupted backup had left half a part, which was taken off.
	Mended bool
}

// Save brings the backup at path up to the end that the hub's record has now, and
// makes the file if there is none. What is there already is checked first and left as
// it is. Interrupted, it can be called again and goes on.
func Save(ctx context.Context, hub grpc.ClientConnInterface, path string) (saved Saved, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("back up to %s: %w", path, err)
		}
	}()
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return Saved{}, err
	}
	defer f.Close()
	// A filesystem of another machine may know no locks: then nothing is locked out.
	if ok, err := ledger.TryLock(f); err == nil && !ok {
		return Saved{}, errors.New("another backup is being written to it: wait for that one to end, or use another file")
	}
	s := newScanner(f)
	if saved.Contents, err = s.end(); err != nil {
		return saved, fmt.Errorf("%w; nothing was written: keep this file as it is, and begin another", err)
	}
	info, err := pb.NewRecordServiceClient(hub).GetRecordInfo(ctx, &pb.GetRecordInfoRequest{})
	if err != nil {
		return saved, err
	}
	if have, of := saved.RecordID, info.GetRecordId(); have != "" && have != of {
		return saved, fmt.Errorf("it is of record %s, and the hub keeps record %s: nothing was written; use another file", have, of)
	}
	saved.RecordID, saved.Mended = info.GetRecordId(), saved.Torn
	if err := readyToAppend(f, saved.Contents); err != nil {
		return saved, err
	}
	before := saved.Head.Cursor
	from := before
	if from > 0 && !saved.Sealed {
		from-- // Nothing vouches for the last entry: it is compared with the hub's.
	}
	out := bufio.NewWriterSize(f, 1<<20)
	err = receive(ctx, hub, saved.RecordID, from, func(stored []byte) error {
		if from < before {
			from++
			if sha256.Sum256(stored) != saved.Head.Hash {
				return fmt.Errorf("entry %d is not what the hub has: one of the two was changed; begin another backup, and audit the record", before)
			}
			return nil
		}
		cursor := saved.Head.Cursor + 1
		if faults := s.chain.Add(cursor, stored); len(faults) > 0 {
			return fmt.Errorf("what the hub sent does not go on from the backup: %s", faults[0].Text)
		}
		saved.Head.Cursor, saved.Head.Hash = s.chain.Last()
		_, err := out.Write(appendEntry(nil, stored))
		return err
	})
	saved.Added, saved.Torn = saved.Head.Cursor-before, false
	// What has come is kept even when the rest has not: the next time goes on there.
	if err := errors.Join(err, out.Flush(), f.Sync()); err != nil {
		return saved, err
	}
	return saved, saved.sealIn(f)
}

// end reads to the end and returns the contents.
func (s *scanner) end() (Contents, error) {
	err := s.begin()
	for err == nil {
		_, err = s.next()
	}
	if err == io.EOF {
		err = nil
	}
	return s.contents, err
}

// readyToAppend takes off half a part, and writes the first line of a new file.
func readyToAppend(f *os.File, c Contents) error {
	if err := f.Truncate(c.End); err != nil {
		return err
	}
	if _, err := f.Seek(c.End, io.SeekStart); err != nil || c.End > 0 {
		return err
	}
	_, err := io.WriteString(f, firstLine)
	return err
}

// sealIn ends the file with a seal, and makes it and its name durable.
func (s *Saved) sealIn(f *os.File) error {
	if s.Added == 0 && s.Sealed {
		return nil
	}
	if _, err := f.Write(appendSeal(nil, s.Head)); err != nil {
		return err
	}
	s.Sealed = true
	return errors.Join(f.Sync(), syncFolder(filepath.Dir(f.Name())))
}

// syncFolder makes the names in a folder durable, where the system can.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	// Windows knows no sync of a folder; there the name is as durable as it gets.
	_ = d.Sync()
	return nil
}

// receive calls take with the stored bytes of the entries after a cursor, up to the
// end that the record has now.
func receive(ctx context.Context, hub grpc.ClientConnInterface, record string, after uint64, take func([]byte) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := hub.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, pb.RecordService_Subscribe_FullMethodName,
		grpc.ForceCodecV2(storedCodec{encoding.GetCodecV2("proto")}), grpc.MaxCallRecvMsgSize(largestMessage))
	if err != nil {
		return err
	}
	request := &pb.SubscribeRequest{After: after, RecordId: record, StopAtEnd: true}
	if err := errors.Join(stream.SendMsg(request), stream.CloseSend()); err != nil {
		return err
	}
	for {
		var message []byte
		err := stream.RecvMsg(&message)
		switch {
		case err == io.EOF:
			return nil
		case status.Code(err) == codes.OutOfRange:
			return fmt.Errorf("the backup goes to entry %d, and the hub's record not as far: %w", after, err)
		case err != nil:
			return fmt.Errorf("receive the entries after %d: %w; run it again to go on", after, err)
		}
		if after, err = entriesOf(message, after, take); err != nil {
			return err
		}
	}
}

// largestMessage bounds what is received, in bytes: a few entries.
const largestMessage = 4 * ledger.MaxEntryBytes

// Field number of SubscribeResponse.entries.
const fieldEntries = protowire.Number(1)

// entriesOf takes the entries out of a SubscribeResponse as it came, and returns the
// cursor after them. Parsing and writing them again could change their bytes.
func entriesOf(message []byte, cursor uint64, take func([]byte) error) (uint64, error) {
	for rest := message; len(rest) > 0; {
		number, wire, n := protowire.ConsumeTag(rest)
		if n < 0 {
			return cursor, fmt.Errorf("read what the hub sent: %w", protowire.ParseError(n))
		}
		value := rest[n:]
		m := protowire.ConsumeFieldValue(number, wire, value)
		if m < 0 {
			return cursor, fmt.Errorf("read what the hub sent: %w", protowire.ParseError(m))
		}
		if number == fieldEntries && wire == protowire.BytesType {
			stored, _ := protowire.ConsumeBytes(value)
			if err := take(stored); err != nil {
				return cursor, err
			}
			cursor++
		}
		rest = value[m:]
	}
	return cursor, nil
}

// storedCodec is the codec for protocol buffers that leaves answers as they came.
type storedCodec struct{ encoding.CodecV2 }

func (c storedCodec) Unmarshal(data mem.BufferSlice, v any) error {
	if raw, ok := v.(*[]byte); ok {
		*raw = data.Materialize()
		return nil
	}
	return c.CodecV2.Unmarshal(data, v)
}
