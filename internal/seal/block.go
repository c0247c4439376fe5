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

// beside writes to out what an entry has other than the last one of its size; of the result
// it gives back the entry. Readings of one instrument differ in a few bytes, which leaves
// mostly zeros.
func (f *follower) beside(out, entry []byte) {
	before, ok := f.bySize[len(entry)]
	if !ok {
		copy(out, entry)
		return
	}
	for i, x := range entry {
		out[i] = x ^ before[i]
	}
}

// head is what stands before the bytes of an entry.
type head struct {
	// after is the cursor less the one before, and at where the hash of the entry before
	// stands, from 1; 0: nowhere.
	after, size, at uint64
	check           [checkBytes]byte
}

// bodies are the bytes of the entries of a block, those of one size as the rows of a table,
// whose columns are written one after the other: what is the same in all of them, or a
// number that grows slowly, is then next to its like.
type bodies struct {
	sizes []int // in the order in which they come up
	rows  map[int][][]byte
}

func (b *bodies) add(row []byte) {
	if b.rows == nil {
		b.rows = map[int][][]byte{}
	}
	if b.rows[len(row)] == nil {
		b.sizes = append(b.sizes, len(row))
	}
	b.rows[len(row)] = append(b.rows[len(row)], row)
}

// cells hands out the address of each byte, in the order in which they are written.
func (b *bodies) cells(each func(*byte) error) error {
	for _, size := range b.sizes {
		for column := range size {
			for _, row := range b.rows[size] {
				if err := each(&row[column]); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func (f *follower) pack(entries []Entry, hashes [][sha256.Size]byte) ([]byte, error) {
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, flate.BestCompression)
	if err != nil {
		return nil, err
	}
	var all bodies
	var heads []byte
	for i, e := range entries {
		row := make([]byte, len(e.Bytes))
		f.beside(row, e.Bytes)
		at := -1
		if f.hash != nil {
			at = bytes.Index(e.Bytes, f.hash)
		}
		if at >= 0 {
			clear(row[at : at+sha256.Size])
		}
		heads = binary.AppendUvarint(heads, e.Cursor-f.cursor)
		heads = binary.AppendUvarint(heads, uint64(len(e.Bytes)))
		heads = binary.AppendUvarint(heads, uint64(at+1))
		heads = append(heads, hashes[i][:checkBytes]...)
		all.add(row)
		f.follow(e, hashes[i])
	}
	out := bufio.NewWriter(w)
	if _, err := out.Write(heads); err != nil {
		return nil, err
	}
	if err := all.cells(func(cell *byte) error { return out.WriteByte(*cell) }); err != nil {
		return nil, err
	}
	if err := out.Flush(); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// unpack returns the entries of a bundle with their hashes, one of them with other bytes;
// what cannot be is *Altered.
func (p *parts) unpack(mended Entry) (entries []Entry, hashes [][sha256.Size]byte, err error) {
	var before follower
	left := mostUnpacked
	for _, b := range p.blocks {
		more, theirs, err := b.unpack(&before, &left, mended)
		if err != nil {
			return nil, nil, err
		}
		entries, hashes = append(entries, more...), append(hashes, theirs...)
	}
	return entries, hashes, nil
}

// unpack returns the entries of a block. Left is how many bytes all that follows may have.
func (b block) unpack(before *follower, left *int, mended Entry) ([]Entry, [][sha256.Size]byte, error) {
	source := bytes.NewReader(b.packed)
	r := bufio.NewReader(flate.NewReader(source))
	heads, all, err := b.heads(r, before, left)
	if err == nil {
		err = all.cells(func(cell *byte) (err error) {
			*cell, err = r.ReadByte()
			return err
		})
	}
	if err != nil {
		return nil, nil, b.damaged(err)
	}
	if _, err := r.ReadByte(); err != io.EOF || source.Len() > 0 {
		return nil, nil, b.damaged(fmt.Errorf("more follows its last entry than is said"))
	}
	var entries []Entry
	var hashes [][sha256.Size]byte
	var wrong []*Altered
	next := map[int]int{}
	for _, h := range heads {
		size := int(h.size)
		row := all.rows[size][next[size]]
		next[size]++
		e := Entry{Cursor: before.cursor + h.after, Bytes: row}
		before.beside(row, row)
		if h.at > 0 {
			copy(row[h.at-1:], before.hash)
		}
		if e.Cursor == mended.Cursor && len(row) == len(mended.Bytes) {
			copy(row, mended.Bytes)
		}
		hash := sha256.Sum256(row)
		if [checkBytes]byte(hash[:checkBytes]) != h.check {
			a := altered(e.Cursor, "it is damaged: its bytes have a hash that begins %x, and %x is written beside them", hash[:checkBytes], h.check)
			a.bytes, a.check = row, h.check
			wrong = append(wrong, a)
		}
		before.follow(e, hash)
		entries, hashes = append(entries, e), append(hashes, hash)
	}
	switch {
	case len(wrong) == 0:
		return entries, hashes, nil
	case len(wrong) == 1 || wrong[0].Cursor != b.first:
		// Those after it are made of it, and may be as they were.
		return nil, nil, wrong[0]
	}
	// What was changed may be one entry, or what all of them were compressed to.
	whole := b.damaged(fmt.Errorf("%d of them do not have the hashes that are written beside them", len(wrong)))
	whole.bytes, whole.check = wrong[0].bytes, wrong[0].check
	return nil, nil, whole
}

// heads reads what stands before the bytes of the entries, and makes room for these.
func (b block) heads(r *bufio.Reader, before *follower, left *int) ([]head, *bodies, error) {
	list, all := make([]head, b.count), &bodies{}
	cursor := before.cursor
	for i := range list {
		h := &list[i]
		for _, x := range []*uint64{&h.after, &h.size, &h.at} {
			var err error
			if *x, err = binary.ReadUvarint(r); err != nil {
				return nil, nil, err
			}
		}
		if _, err := io.ReadFull(r, h.check[:]); err != nil {
			return nil, nil, err
		}
		switch {
		case h.after == 0 || cursor+h.after < cursor:
			return nil, nil, fmt.Errorf("an entry stands %d behind entry %d", h.after, cursor)
		case h.size > MostEntryBytes || h.at > 0 && (h.size < sha256.Size || h.at-1 > h.size-sha256.Size || before.hash == nil && i == 0):
			return nil, nil, fmt.Errorf("an entry cannot have %d bytes with a hash at %d", h.size, h.at)
		}
		if *left -= int(h.size); *left < 0 {
			return nil, nil, fmt.Errorf("the bundle unpacks to more than %d bytes", mostUnpacked)
		}
		cursor += h.after
		if i == 0 && cursor != b.first || i == b.count-1 && cursor != b.last {
			return nil, nil, fmt.Errorf("entry %d stands at its end", cursor)
		}
		all.add(make([]byte, h.size))
	}
	return list, all, nil
}

// damaged says that a block cannot be read.
func (b block) damaged(err error) *Altered {
	a := altered(b.first, "they cannot be unpacked: %v", err)
	if a.Where = fmt.Sprintf("entries %d to %d", b.first, b.last); b.first == b.last {
		a.Where = fmt.Sprintf("entry %d", b.first)
	}
	return a
}
