// Package handover reads what a lab has handed over: it folds the entries of a bundle to
// the sample records that they come to, as the hub that recorded them did, and says which
// field of an entry was changed where a bundle does not hold.
package handover

import (
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Contents is a bundle that holds.
type Contents struct {
	Checkpoint seal.Checkpoint
	// SignedBy are the names of the keys that signed, the lab's first.
	SignedBy []string
	// Bytes of the entries as the lab stored them, in order, and what they say.
	Stored  []seal.Entry
	Entries []*pb.Entry
	// Opened says which record they are of; nil if the bundle does not have that entry.
	Opened *pb.RecordOpened
	// Lab is the last lab file among the entries; nil if there is none.
	Lab *pb.LabLoaded
	// Samples are the records of the samples that were registered in the entries.
	Samples []*pb.SampleRecord
}

// Open verifies a bundle by the keys of those who signed it, the lab's first, and reads
// it. An error is one of the keys, an *seal.Altered, or that the entries are not such as a
// hub records.
func Open(bundle []byte, keys []note.Verifier) (*Contents, error) {
	o, err := seal.Verify(bundle, keys)
	if err != nil {
		return nil, named(bundle, keys, err)
	}
	c := &Contents{Checkpoint: o.Checkpoint, SignedBy: o.SignedBy, Stored: o.Entries}
	for _, s := range o.Entries {
		e := &pb.Entry{}
		if err := proto.Unmarshal(s.Bytes, e); err != nil || e.GetCursor() != s.Cursor {
			return nil, errors.Join(fmt.Errorf("read a bundle: entry %d was signed and says that it is entry %d: the lab's hub is another kind of program", s.Cursor, e.GetCursor()), err)
		}
		c.Entries = append(c.Entries, e)
	}
	return c, c.fold()
}

// fold folds the entries to sample records.
//
// They are some of a record, and signed: but by a lab that may not wish us well, or has a
// newer hub. What the fold cannot do with them must end the reading, and not the program.
func (c *Contents) fold() (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("read a bundle: its entries, though signed, are not such as this program can fold to a sample record: %v", r)
		}
	}()
	b := book.New()
	var codes []string
	for _, e := range c.Entries {
		if m := e.GetSampleRegistered(); m != nil {
			codes = append(codes, m.GetSample())
		}
		b.Apply(known(b, codes, e))
	}
	c.Opened, c.Lab = b.Opened(), b.Lab()
	for _, code := range codes {
		if r, ok := b.Record(code); ok {
			c.Samples = append(c.Samples, r)
		}
	}
	return nil
}

// known returns an entry as it concerns the samples of the bundle: another sample that was
// put where one of them lay has taken it away.
func known(b *book.Book, codes []string, e *pb.Entry) *pb.Entry {
	m := e.GetSamplePlaced()
	if m == nil || slices.Contains(codes, m.GetSample()) {
		return e
	}
	for _, s := range b.Stations() {
		if s.GetStation().GetName() == m.GetStation() && s.GetSample() != "" {
			removed := proto.CloneOf(e)
			removed.Body = &pb.Entry_SampleRemoved{SampleRemoved: &pb.SampleRemoved{Station: m.GetStation(), Sample: s.GetSample(), At: m.GetAt()}}
			return removed
		}
	}
	return e
}

// Kinds returns how many entries of each kind there are, by the name of their body's field.
func (c *Contents) Kinds() map[string]int {
	kinds := map[string]int{}
	for _, e := range c.Entries {
		if f := e.ProtoReflect().WhichOneof(body); f != nil {
			kinds[string(f.Name())]++
		}
	}
	return kinds
}

var body = (*pb.Entry)(nil).ProtoReflect().Descriptor().Oneofs().ByName("body")
