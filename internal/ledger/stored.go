package ledger

import (
	"crypto/sha256"
	"fmt"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Hash is the SHA-256 of the stored bytes of an entry.
type Hash = [sha256.Size]byte

// Stored is one entry as it lies in the ledger.
type Stored struct {
	Cursor uint64
	// Bytes are the entry's stored bytes, a marshalled pb.Entry. They are shared
	// between all readers: nobody may change them.
	Bytes []byte
	// Kind is the field number of the entry's body in pb.Entry: 13 for readings.
	Kind protowire.Number
}

// Entry parses the stored bytes.
func (s Stored) Entry() (*pb.Entry, error) {
	e := new(pb.Entry)
	if err := proto.Unmarshal(s.Bytes, e); err != nil {
		return nil, fmt.Errorf("parse entry %d: %w", s.Cursor, err)
	}
	return e, nil
}

// Field numbers of pb.Entry that the ledger reads without parsing all of it.
const (
	fieldCursor   = protowire.Number(1)
	fieldPrevious = protowire.Number(2)
	// The first and last of the oneof body.
	fieldBodyFirst = protowire.Number(10)
	fieldBodyLast  = protowire.Number(99)
)

// outline is what the ledger itself needs to know of an entry.
type outline struct {
	cursor   uint64
	previous []byte
	kind     protowire.Number
}

// outlineOf walks the top-level fields of an entry's bytes, which may come from
// a damaged disk.
func outlineOf(b []byte) (outline, error) {
	var o outline
	for rest := b; len(rest) > 0; {
		number, wire, n := protowire.ConsumeTag(rest)
		if n < 0 {
			return outline{}, fmt.Errorf("read field at byte %d of %d: %w", len(b)-len(rest), len(b), protowire.ParseError(n))
		}
		value := rest[n:]
		m := protowire.ConsumeFieldValue(number, wire, value)
		if m < 0 {
			return outline{}, fmt.Errorf("read field %d at byte %d of %d: %w", number, len(b)-len(rest), len(b), protowire.ParseError(m))
		}
		switch {
		case number == fieldCursor && wire == protowire.VarintType:
			o.cursor, _ = protowire.ConsumeVarint(value)
		case number == fieldPrevious && wire == protowire.BytesType:
			o.previous, _ = protowire.ConsumeBytes(value)
		case number >= fieldBodyFirst && number <= fieldBodyLast && wire == protowire.BytesType:
			o.kind = number
		}
		rest = value[m:]
	}
	return o, nil
}

// encode returns the stored form of e. It leaves e alone, so that a caller may
// still read it: the previous hash is written in front of e's own fields, whose
// order on the wire means nothing.
func encode(e *pb.Entry, previous Hash) ([]byte, error) {
	const hashField = 1 + 1 + sha256.Size
	b := make([]byte, 0, hashField+proto.Size(e))
	b = protowire.AppendTag(b, fieldPrevious, protowire.BytesType)
	b = protowire.AppendBytes(b, previous[:])
	return proto.MarshalOptions{UseCachedSize: true}.MarshalAppend(b, e)
}
