package handover

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Changed says which field of an entry was changed, and what it was.
type Changed struct {
	*seal.Altered
	// Field of the entry, as "measurement_taken.measurement.value".
	Field   string
	Is, Was string
}

func (c *Changed) Error() string {
	return fmt.Sprintf("verify a bundle: entry %d: %s was changed: it says %s, and %s was signed", c.Cursor, c.Field, c.Is, c.Was)
}

func (c *Changed) Unwrap() error { return c.Altered }

// named says which field of an entry was changed, if it was one digit. Each digit of the
// entry is tried: the one with which the whole bundle holds again, to the signed root, is
// the one that it had.
func named(bundle []byte, keys []note.Verifier, err error) error {
	var a *seal.Altered
	if !errors.As(err, &a) || a.Entry() == nil {
		return err
	}
	entry := a.Entry()
	result := err
	_ = fields((*pb.Entry)(nil).ProtoReflect().Descriptor(), entry, 0, "", func(f field) bool {
		for was, bytes := range f.others(entry) {
			fixed := slices.Replace(slices.Clone(entry), f.from, f.to, bytes...)
			if a.Fits(fixed) && seal.Mends(bundle, keys, seal.Entry{Cursor: a.Cursor, Bytes: fixed}) {
				result = &Changed{a, f.path, f.text(entry), was}
				return false
			}
		}
		return true
	})
	return result
}

// field is a number or a text in the bytes of an entry.
type field struct {
	path     string
	from, to int
	kind     protoreflect.Kind
}

// fields hands out the numbers and texts of a message whose bytes begin at a place of the
// entry, until the caller has enough. What cannot be read ends it.
func fields(of protoreflect.MessageDescriptor, b []byte, at int, path string, each func(field) bool) bool {
	for len(b) > 0 {
		number, wire, n := protowire.ConsumeTag(b)
		if n < 0 {
			return true
		}
		m := protowire.ConsumeFieldValue(number, wire, b[n:])
		if m < 0 {
			return true
		}
		if d := of.Fields().ByNumber(number); d != nil && !one(d, wire, b[n:n+m], at+n, path+string(d.Name()), each) {
			return false
		}
		b, at = b[n+m:], at+n+m
	}
	return true
}

// one hands out what is in the value of a field.
func one(d protoreflect.FieldDescriptor, wire protowire.Type, value []byte, at int, path string, each func(field) bool) bool {
	if wire != protowire.BytesType {
		return each(field{path, at, at + len(value), d.Kind()})
	}
	inside, n := protowire.ConsumeBytes(value)
	at += n - len(inside)
	switch {
	case d.Kind() == protoreflect.MessageKind:
		return fields(d.Message(), inside, at, path+".", each)
	case d.Kind() == protoreflect.StringKind:
		return each(field{path, at, at + len(inside), d.Kind()})
	case d.IsPacked():
		for i := 0; len(inside) > 0; i++ {
			size := 8
			if d.Kind() != protoreflect.DoubleKind {
				if _, size = protowire.ConsumeVarint(inside); size < 0 {
					return true
				}
			}
			if size > len(inside) {
				return true
			}
			if !each(field{fmt.Sprintf("%s[%d]", path, i), at, at + size, d.Kind()}) {
				return false
			}
			inside, at = inside[size:], at+size
		}
	}
	return true
}

// text is what the field says.
func (f field) text(entry []byte) string {
	b := entry[f.from:f.to]
	switch f.kind {
	case protoreflect.StringKind:
		return strconv.Quote(string(b))
	case protoreflect.DoubleKind:
		if len(b) == 8 {
			return strconv.FormatFloat(math.Float64frombits(binary.LittleEndian.Uint64(b)), 'g', -1, 64)
		}
	}
	v, _ := protowire.ConsumeVarint(b)
	if f.kind == protoreflect.Sint32Kind || f.kind == protoreflect.Sint64Kind {
		return strconv.FormatInt(protowire.DecodeZigZag(v), 10)
	}
	return strconv.FormatUint(v, 10)
}

// bytes is a text as the field would hold it; nil if it cannot, in as many bytes.
func (f field) bytes(text string) (b []byte) {
	switch f.kind {
	case protoreflect.StringKind:
		b = []byte(text)
	case protoreflect.DoubleKind:
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return nil
		}
		b = binary.LittleEndian.AppendUint64(nil, math.Float64bits(v))
	case protoreflect.Sint32Kind, protoreflect.Sint64Kind:
		v, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return nil
		}
		b = protowire.AppendVarint(nil, protowire.EncodeZigZag(v))
	default:
		v, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			return nil
		}
		b = protowire.AppendVarint(nil, v)
	}
	if len(b) != f.to-f.from {
		return nil
	}
	return b
}

// others yields what the field may have said before one digit of it was changed: as text, and
// as its bytes.
func (f field) others(entry []byte) func(func(string, []byte) bool) {
	text := f.text(entry)
	if f.kind == protoreflect.StringKind {
		text = string(entry[f.from:f.to])
	}
	return func(yield func(string, []byte) bool) {
		for i, digit := range []byte(text) {
			if digit < '0' || digit > '9' {
				continue
			}
			for other := byte('0'); other <= '9'; other++ {
				changed := text[:i] + string(other) + text[i+1:]
				if b := f.bytes(changed); other != digit && b != nil && !yield(changed, b) {
					return
				}
			}
		}
	}
}
