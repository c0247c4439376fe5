// Package imprint writes a state to bytes and reads it back.
//
// The same lines do both: a function that is given a Coder and the addresses of values
// writes them, or reads them, depending on the Coder. So nothing is written that is not
// read, and the two cannot differ. The same state gives the same bytes. They are for the
// program that wrote them, and say nothing of their layout.
package imprint

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"google.golang.org/protobuf/proto"
)

// Coder writes, or reads. After its first error it does neither.
type Coder struct {
	bytes []byte    // to be written, or not yet read
	to    io.Writer // nil if it reads
	err   error
}

// piece is how much is gathered before it is written, in bytes: a state is never whole in
// memory.
const piece = 32 << 10

// Write returns a Coder that writes. It is written to the end with End.
func Write(to io.Writer) *Coder { return &Coder{to: to} }

// Read returns a Coder that reads what another has written. What it reads is copied.
func Read(written []byte) *Coder { return &Coder{bytes: written} }

// Reads says which of the two the Coder does.
func (c *Coder) Reads() bool { return c.to == nil }

// Fail makes err the Coder's error, unless it has one or err is nil.
func (c *Coder) Fail(err error) {
	if c.err == nil {
		c.err = err
	}
}

// Err returns the first error.
func (c *Coder) Err() error { return c.err }

// Rest returns what has not been read.
func (c *Coder) Rest() []byte { return c.bytes }

// End writes what is left to be written, and returns the first error; for a Coder that
// reads also one if something is left.
func (c *Coder) End() error {
	switch {
	case c.err != nil:
	case !c.Reads():
		c.flush()
	case len(c.bytes) > 0:
		return fmt.Errorf("read a state: %d bytes are left over", len(c.bytes))
	}
	return c.err
}

func (c *Coder) flush() {
	if c.err == nil {
		_, c.err = c.to.Write(c.bytes)
	}
	c.bytes = c.bytes[:0]
}

// put writes b, which begins with all that is still to be written.
func (c *Coder) put(b []byte) {
	if c.bytes = b; len(b) >= piece {
		c.flush()
	}
}

var errShort = errors.New("read a state: it breaks off")

// take returns the next n bytes of what is read; nil after an error.
func (c *Coder) take(n uint64) []byte {
	if c.err == nil && n > uint64(len(c.bytes)) {
		c.err = errShort
	}
	if c.err != nil {
		return nil
	}
	b := c.bytes[:n:n]
	c.bytes = c.bytes[n:]
	return b
}

func (c *Coder) uvarint(v uint64) uint64 {
	if !c.Reads() {
		c.put(binary.AppendUvarint(c.bytes, v))
		return v
	}
	v, n := binary.Uvarint(c.bytes)
	if n <= 0 {
		c.Fail(errShort)
		return 0
	}
	c.take(uint64(n))
	return v
}

// Whole is what Int takes.
type Whole interface {
	~int | ~int32 | ~int64 | ~uint8 | ~uint32 | ~uint64
}

// Int codes a whole number.
func Int[T Whole](c *Coder, v *T) {
	n := c.uvarint(uint64(*v))
	if c.Reads() && c.err == nil {
		if *v = T(n); uint64(*v) != n {
			c.Fail(fmt.Errorf("read a state: %d is no %T", n, *v))
		}
	}
}

// Bool codes a truth.
func (c *Coder) Bool(v *bool) {
	n := uint8(0)
	if *v {
		n = 1
	}
	Int(c, &n)
	*v = n == 1
}

// Float codes a number, bit by bit.
func (c *Coder) Float(v *float64) {
	if !c.Reads() {
		c.put(binary.LittleEndian.AppendUint64(c.bytes, math.Float64bits(*v)))
	} else if b := c.take(8); b != nil {
		*v = math.Float64frombits(binary.LittleEndian.Uint64(b))
	}
}

// Bytes codes bytes.
func (c *Coder) Bytes(v *[]byte) {
	n := c.uvarint(uint64(len(*v)))
	if !c.Reads() {
		c.put(append(c.bytes, *v...))
	} else {
		*v = append([]byte(nil), c.take(n)...)
	}
}

// Array codes bytes of which the number is known.
func (c *Coder) Array(v []byte) {
	if !c.Reads() {
		c.put(append(c.bytes, v...))
	} else {
		copy(v, c.take(uint64(len(v))))
	}
}

// Text codes a string.
func (c *Coder) Text(v *string) {
	n := c.uvarint(uint64(len(*v)))
	if !c.Reads() {
		c.put(append(c.bytes, *v...))
	} else {
		*v = string(c.take(n))
	}
}

// Time codes a time on the wall clock.
func (c *Coder) Time(v *time.Time) {
	seconds, nanos := v.Unix(), int64(v.Nanosecond())
	Int(c, &seconds)
	Int(c, &nanos)
	if c.Reads() {
		*v = time.Unix(seconds, nanos).UTC()
	}
}

var marshal = proto.MarshalOptions{Deterministic: true}

// Message codes a message; nil is read as nil.
func Message[T any, M interface {
	*T
	proto.Message
}](c *Coder, m *M) {
	is := *m != nil
	if c.Bool(&is); !is {
		*m = nil
		return
	}
	if !c.Reads() {
		b, err := marshal.MarshalAppend(binary.AppendUvarint(c.bytes, uint64(marshal.Size(*m))), *m)
		c.Fail(err)
		c.put(b)
		return
	}
	*m = new(T)
	c.Fail(proto.Unmarshal(c.take(c.uvarint(0)), *m))
}

// List codes a list; none is read as nil.
func List[T any](c *Coder, list *[]T, each func(*T)) {
	n := c.Len(len(*list))
	if c.Reads() {
		*list = nil
		if n > 0 {
			*list = make([]T, n)
		}
	}
	for i := 0; i < len(*list) && c.err == nil; i++ {
		each(&(*list)[i])
	}
}

// Len codes a number of things of which each takes at least a byte.
func (c *Coder) Len(n int) int {
	read := c.uvarint(uint64(n))
	if c.Reads() && read > uint64(len(c.bytes)) {
		c.Fail(errShort)
	}
	if c.err != nil {
		return 0
	}
	return int(read)
}
