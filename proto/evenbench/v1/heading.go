package evenbenchv1

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
)

// Heading is what an entry of readings says without its readings. Its slices lie in
// the bytes that it was read from.
type Heading struct {
	Cursor, Cause   uint64
	RecordedAt      time.Time
	Instrument, Run []byte
	FirstNumber     uint64
	Count           uint32
	Start           time.Time
	StartElapsedUs  int64
	// Bound is how many readings belong to a sample.
	Bound uint64
	// Batch is the marshalled ReadingBatch.
	Batch []byte
}

// ReadHeading reads the heading of a marshalled Entry; false if it holds no readings.
// It costs a small part of what parsing the whole entry does.
func ReadHeading(entry []byte) (h Heading, ok bool, err error) {
	h.RecordedAt, h.Start = time.Unix(0, 0).UTC(), time.Unix(0, 0).UTC()
	err = eachField(entry, func(number protowire.Number, v uint64, b []byte) (err error) {
		switch number {
		case 1:
			h.Cursor = v
		case 3:
			h.RecordedAt, err = readTime(b)
		case 7:
			h.Cause = v
		case 13:
			ok = true
			h.Batch = b
			err = h.readBatch(b)
		}
		return err
	})
	if err != nil {
		return Heading{}, false, fmt.Errorf("read the heading of entry %d: %w", h.Cursor, err)
	}
	return h, ok, nil
}

func (h *Heading) readBatch(batch []byte) error {
	return eachField(batch, func(number protowire.Number, v uint64, b []byte) (err error) {
		switch number {
		case 1:
			h.Instrument = b
		case 2:
			h.Run = b
		case 3:
			h.FirstNumber = v
		case 4:
			h.Count = uint32(v)
		case 5:
			h.Start, err = readTime(b)
		case 6:
			h.StartElapsedUs = int64(v)
		case 9:
			err = h.readBinding(b)
		}
		return err
	})
}

func (h *Heading) readBinding(binding []byte) error {
	var first, last uint64
	err := eachField(binding, func(number protowire.Number, v uint64, _ []byte) error {
		switch number {
		case 1:
			first = v
		case 2:
			last = v
		}
		return nil
	})
	h.Bound += last - first + 1
	return err
}

func readTime(timestamp []byte) (time.Time, error) {
	var seconds, nanos int64
	err := eachField(timestamp, func(number protowire.Number, v uint64, _ []byte) error {
		switch number {
		case 1:
			seconds = int64(v)
		case 2:
			nanos = int64(int32(v))
		}
		return nil
	})
	return time.Unix(seconds, nanos).UTC(), err
}

// EarliestAfterUs returns the least after_us of a marshalled ReadingBatch; 0 if it has
// none.
func EarliestAfterUs(batch []byte) (earliest int64, err error) {
	any := false
	take := func(v uint64) {
		if us := int64(int32(protowire.DecodeZigZag(v & 0xffffffff))); !any || us < earliest {
			earliest, any = us, true
		}
	}
	err = eachField(batch, func(number protowire.Number, _ uint64, series []byte) error {
		if number != 8 {
			return nil
		}
		return eachField(series, func(number protowire.Number, v uint64, packed []byte) error {
			switch {
			case number != 8:
			case packed == nil:
				take(v)
			default:
				for len(packed) > 0 {
					v, n := protowire.ConsumeVarint(packed)
					if n < 0 {
						return protowire.ParseError(n)
					}
					take(v)
					packed = packed[n:]
				}
			}
			return nil
		})
	})
	return earliest, err
}

// eachField calls visit with the fields of a message: a varint's value, or the bytes of
// what has a length. Fields of other types are left out.
func eachField(b []byte, visit func(number protowire.Number, v uint64, bytes []byte) error) error {
	for len(b) > 0 {
		number, wire, n := protowire.ConsumeTag(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		var v uint64
		var bytes []byte
		switch wire {
		case protowire.VarintType:
			v, n = protowire.ConsumeVarint(b)
		case protowire.BytesType:
			bytes, n = protowire.ConsumeBytes(b)
		default:
			if n = protowire.ConsumeFieldValue(number, wire, b); n >= 0 {
				b = b[n:]
				continue
			}
		}
		if n < 0 {
			return protowire.ParseError(n)
		}
		if err := visit(number, v, bytes); err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}
