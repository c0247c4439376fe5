package ledger

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sort"
	"sync"
	"time"

	"github.com/klauspost/compress/s2"
)

// shelf reads entries that are no longer in memory from the block files of an embedded
// store, past the server: a server that comes upon a damaged block while it reads cuts
// the file off there, and one flipped bit takes megabytes with it. Here the damage is
// named, and the file stays as it is.
type shelf struct {
	dir, stream string
	// Reads under way at once, of all readers together: what bounds the memory that
	// any number of them can take.
	slots chan struct{}

	mu sync.Mutex
	// Position that each block begins with; that never changes.
	begins map[uint32]uint64
	// Blocks that were read last, the latest at the end.
	volumes []*volume
	// idle lets go of them when nobody has read for a while.
	idle *time.Timer
}

// volume is what was in a block file when it was read.
type volume struct {
	number   uint32
	messages []message
	damage   error // why it ends there; nil: it was the end of the file
}

const (
	shelfReads = 4
	// Most readers that are behind are at the same few places: those that stopped
	// reading need nothing.
	shelfVolumes = 4
	shelfIdle    = 10 * time.Second
)

func newShelf(dir, stream string) *shelf {
	s := &shelf{dir: blocksDir(dir, stream), stream: stream, slots: make(chan struct{}, shelfReads), begins: map[uint32]uint64{}}
	s.idle = time.AfterFunc(shelfIdle, s.forget)
	return s
}

// forget lets go of the blocks that were read.
func (s *shelf) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.volumes = nil
}

// read appends to space copies of what lies at a position and behind it, up to last, as
// much as fits a chunk: nothing only if there is nothing. The first need not be at from,
// as entries may be missing. A damaged entry is a *BrokenError.
func (s *shelf) read(ctx context.Context, from, last uint64, space []message) ([]message, error) {
	select {
	case s.slots <- struct{}{}:
		defer func() { <-s.slots }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	s.idle.Reset(shelfIdle)
	if v := s.onHand(from); v != nil {
		return v.copy(from, last, space), nil
	}
	numbers, err := (&blocks{dir: s.dir}).list()
	if err != nil {
		return nil, err
	}
	i := s.search(numbers, from)
	if i == len(numbers) {
		return space, nil
	}
	before := uint64(0)
	if first, ok := s.begin(numbers[i]); ok {
		before = first - 1
	}
	for _, number := range numbers[i:] {
		v, end, err := s.load(number, before, last)
		if err != nil {
			return nil, fmt.Errorf("read entries from %d: %w", from, err)
		}
		if space = v.copy(from, last, space); len(space) > 0 {
			return space, nil
		}
		if v.damage != nil {
			return nil, v.damage
		}
		before = end
	}
	return space, nil
}

// onHand returns a block that was read not long ago and has the entry; nil if none has.
func (s *shelf) onHand(position uint64) *volume {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, v := range s.volumes {
		if n := len(v.messages); n > 0 && v.messages[0].position <= position && position <= v.messages[n-1].position {
			s.volumes = append(slices.Delete(s.volumes, i, i+1), v)
			return v
		}
	}
	return nil
}

// search returns the index of the last block that is known to begin at or before a
// position; 0 if none is. A block of which not even the beginning can be read comes to
// light when the one before it has been read.
func (s *shelf) search(numbers []uint32, position uint64) int {
	i := sort.Search(len(numbers), func(i int) bool {
		for ; i > 0; i-- {
			if first, ok := s.begin(numbers[i]); ok {
				return first > position
			}
		}
		return false
	}) - 1
	for ; i > 0; i-- {
		if _, ok := s.begin(numbers[i]); ok {
			return i
		}
	}
	return 0
}

// begin returns the position of the first entry of a block, if it can be read.
func (s *shelf) begin(number uint32) (position uint64, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if position, ok = s.begins[number]; ok {
		return position, true
	}
	b := &blocks{dir: s.dir, stream: s.stream}
	if position, ok = b.first(number); ok {
		s.begins[number] = position
	}
	return position, ok
}

// load reads a block, as far as entry last. Before is the last position before it.
func (s *shelf) load(number uint32, before, last uint64) (v *volume, end uint64, err error) {
	v = &volume{number: number}
	chain := Chain{cursor: before, lost: true} // the hash before a block is not known
	b := &blocks{
		dir: s.dir, stream: s.stream, limit: last, tolerate: last + 1, position: before,
		visit: func(m message) error {
			if faults := chain.Add(m.position, m.bytes); len(faults) > 0 {
				return &BrokenError{faults[0]}
			}
			v.messages = append(v.messages, m)
			return nil
		},
		fault: func(f Fault) error { return &BrokenError{f} },
	}
	_, err = b.block(number)
	var broken *BrokenError
	if err != nil && !errors.As(err, &broken) {
		return nil, 0, err
	}
	v.damage = err
	s.mu.Lock()
	defer s.mu.Unlock()
	s.volumes = append(slices.DeleteFunc(s.volumes, func(w *volume) bool { return w.number == number }), v)
	s.volumes = slices.Delete(s.volumes, 0, max(0, len(s.volumes)-shelfVolumes))
	return v, b.position, nil
}

// copy appends to space what lies from a position on, up to last, as much as fits a
// chunk. The bytes are copied, so that a reader that stops does not keep the block.
func (v *volume) copy(from, last uint64, space []message) []message {
	first := sort.Search(len(v.messages), func(i int) bool { return v.messages[i].position >= from })
	end, size := first, 0
	for end < len(v.messages) && v.messages[end].position <= last && end-first < historyEntries && size < historyBytes {
		size += len(v.messages[end].bytes)
		end++
	}
	bytes := make([]byte, 0, size)
	for _, m := range v.messages[first:end] {
		at := len(bytes)
		bytes = append(bytes, m.bytes...)
		space = append(space, message{m.position, bytes[at:len(bytes):len(bytes)]})
	}
	return space
}

// first returns the position of the first entry of a block, without reading the rest of
// it.
func (b *blocks) first(number uint32) (position uint64, ok bool) {
	f, err := os.Open(b.path(number))
	if err != nil {
		return 0, false
	}
	defer f.Close()
	packed := bufio.NewReader(f)
	in := io.Reader(packed)
	if mark, _ := packed.Peek(len(compressedMark)); string(mark) == compressedMark {
		_, _ = packed.Discard(len(compressedMark))
		if _, err := binary.ReadUvarint(packed); err != nil {
			return 0, false
		}
		in = s2.NewReader(packed)
	}
	record := make([]byte, recordHeader)
	if _, err := io.ReadFull(in, record); err != nil {
		return 0, false
	}
	length := binary.LittleEndian.Uint32(record) &^ flagHeaders
	if length < recordHeader || length > recordLargest {
		return 0, false
	}
	record = append(record, make([]byte, length-recordHeader)...)
	if _, err := io.ReadFull(in, record[recordHeader:]); err != nil {
		return 0, false
	}
	sum, err := b.sum(number)
	if err != nil {
		return 0, false
	}
	r, err := parseRecord(record, sum)
	return r.sequence, err == nil && r.sequence&(flagErased|flagDeleted) == 0
}
