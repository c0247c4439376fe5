package seal

import (
	"bufio"
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io"
)

// blockEntries is how many entries are compressed together: enough for what they have in
// common to be written once.
const blockEntries = 512

// checkBytes of an entry's hash stand beside it. They are to name an entry that was
// damaged; that none was changed is shown by the root.
const checkBytes = 2

// follower knows the entry before, which the next one refers to. The zero follower is
// before the first.
type follower struct {
	cursor uint64
	hash   []byte
	// bySize is the last entry of each size.
	bySize map[int][]byte
}

func (f *follower) follow(e Entry, hash [sha256.Size]byte) {
	f.cursor, f.hash = e.Cursor, hash[:]
	if f.bySize == nil {
		f.bySize = map[int][]byte{}
	}
	f.bySize[len(e.Bytes)] = e.Bytes
}

// beside returns what an entry has other than the last one of its size; of the result it
// gives back the entry. Readings of one instrument differ in a few bytes, which leaves
// mostly zeros.
func (f *follower) beside(entry []byte) []byte {
	before, ok := f.bySize[len(entry)]
	if !ok {
		return entry
	}
	out := make([]byte, len(entry))
	for i, x := range entry {
		out[i] = x ^ before[i]
	}
	return out
}

func (f *follower) pack(entries []Entry, hashes [][sha256.Size]byte) ([]byte, error) {
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, flate.BestCompression)
	if err != nil {
		return nil, err
	}
	var head []byte
	for i, e := range entries {
		head = binary.AppendUvarint(head[:0], e.Cursor-f.cursor)
		head = binary.AppendUvarint(head, uint64(len(e.Bytes)))
		text := f.beside(e.Bytes)
		left, right := text, []byte(nil)
		at := -1
		if f.hash != nil {
			at = bytes.Index(e.Bytes, f.hash)
		}
		if at >= 0 {
			left, right = text[:at], text[at+sha256.Size:]
		}
		head = binary.AppendUvarint(head, uint64(at+1))
		head = append(head, hashes[i][:checkBytes]...)
		for _, part := range [][]byte{head, left, right} {
			if _, err := w.Write(part); err != nil {
				return nil, err
			}
		}
		f.follow(e, hashes[i])
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// unpack returns the entries of a bundle with their hashes; what cannot be is *Altered.
func (p *parts) unpack() (entries []Entry, hashes [][sha256.Size]byte, err error) {
	var before follower
	total := 0
	for _, b := range p.blocks {
		source := bytes.NewReader(b.packed)
		r := bufio.NewReader(flate.NewReader(source))
		for k := range b.count {
			e, hash, err := before.entry(r)
			if err == nil && (k == 0 && e.Cursor != b.first || k == b.count-1 && e.Cursor != b.last) {
				err = fmt.Errorf("it is entry %d", e.Cursor)
			}
			if total += len(e.Bytes); err == nil && total > mostUnpacked {
				err = fmt.Errorf("the bundle unpacks to more than %d bytes", mostUnpacked)
			}
			if err != nil {
				return nil, nil, b.altered(k, before.cursor, err)
			}
			before.follow(e, hash)
			entries, hashes = append(entries, e), append(hashes, hash)
		}
		if _, err := r.ReadByte(); err != io.EOF || source.Len() > 0 {
			return nil, nil, altered(b.last, "more follows it in its block than is said")
		}
	}
	return entries, hashes, nil
}

// altered names the entry k of a block, which could not be read, by what is known of it.
func (b block) altered(k int, before uint64, err error) *Altered {
	cursor := before + 1
	switch k {
	case 0:
		cursor = b.first
	case b.count - 1:
		cursor = b.last
	}
	return altered(cursor, "it is damaged: %v", err)
}

// entry reads the next entry of a block and computes its hash.
func (f *follower) entry(r *bufio.Reader) (Entry, [sha256.Size]byte, error) {
	var head [3]uint64
	for i := range head {
		x, err := binary.ReadUvarint(r)
		if err != nil {
			return Entry{}, [sha256.Size]byte{}, fmt.Errorf("cannot be unpacked: %w", err)
		}
		head[i] = x
	}
	after, size, at := head[0], head[1], head[2]
	e := Entry{Cursor: f.cursor + after}
	if after == 0 || e.Cursor < f.cursor {
		return e, [sha256.Size]byte{}, fmt.Errorf("it stands %d behind entry %d", after, f.cursor)
	}
	if size > MostEntryBytes || at > 0 && (f.hash == nil || size < sha256.Size || at-1 > size-sha256.Size) {
		return e, [sha256.Size]byte{}, fmt.Errorf("it cannot have %d bytes with a hash at %d", size, at)
	}
	var check [checkBytes]byte
	if _, err := io.ReadFull(r, check[:]); err != nil {
		return e, [sha256.Size]byte{}, fmt.Errorf("cannot be unpacked: %w", err)
	}
	text := make([]byte, size)
	left, right := text, text[size:]
	if at > 0 {
		left, right = text[:at-1], text[at-1+sha256.Size:]
	}
	for _, part := range [][]byte{left, right} {
		if _, err := io.ReadFull(r, part); err != nil {
			return e, [sha256.Size]byte{}, fmt.Errorf("cannot be unpacked: %w", err)
		}
	}
	text = f.beside(text)
	if at > 0 {
		copy(text[at-1:], f.hash)
	}
	hash := sha256.Sum256(text)
	if [checkBytes]byte(hash[:checkBytes]) != check {
		return e, hash, fmt.Errorf("its bytes have a hash that begins %x, and %x is written beside them", hash[:checkBytes], check)
	}
	e.Bytes = text
	return e, hash, nil
}
