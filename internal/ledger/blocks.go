package ledger

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"

	"github.com/klauspost/compress/s2"
	"github.com/minio/highwayhash"
)

// The files of an embedded store are read here without the server, because the
// server mends what it opens: it cuts a block off at the first record that it
// cannot read, or removes it, and a record whose sequence was changed can make
// it take all memory. A ledger is therefore checked before the server sees it,
// audited without it, and read without it while it runs.
//
// A block file is records one after the other, numbers little-endian:
//
//	length(4, top bit: has headers) sequence(8) time(8) subject length(2)
//	subject [headers length(4) headers] message checksum(8)
//
// The checksum is HighwayHash-64 of sequence to message without the lengths,
// keyed with the SHA-256 of "STREAM-BLOCK". A full block is compressed: "cmp",
// 1, its length as a varint, all but its last 8 bytes as an S2 stream, those 8
// bytes. From the source of nats-server v2.15 (filestore.go); the tests hold the
// two together.
const (
	recordHeader   = 22
	recordChecksum = 8
	recordLargest  = 32 << 20
	// A block is full at 8 MB, or with the entry that goes beyond it.
	largestBlock = 16 << 20

	compressedMark = "cmp\x01"

	flagHeaders = 1 << 31 // in length
	flagErased  = 1 << 63 // in sequence: the message was overwritten
	flagDeleted = 1 << 62 // in sequence: a note that another one was deleted
)

// noLimit is beyond every entry.
const noLimit = math.MaxUint64

// blocks reads the block files of one stream.
type blocks struct {
	dir    string
	stream string
	// skip is how many files are left out; position is then where the last of them
	// ends.
	skip int
	// limit ends the reading after this entry, for a ledger that is being
	// written.
	limit uint64
	// tolerate is where entries begin that may never have been acknowledged: a
	// record from there on that cannot be read is no fault, but a write that did
	// not finish, and so is what comes after it.
	tolerate uint64

	visit func(message) error
	fault func(Fault) error
	// next is called after each file, if it is not nil, with the memory that its
	// messages lie in, and returns memory for the next one.
	next func(space) (space, error)

	position uint64
	space    space
	unpack   *s2.Reader
}

// space is memory for a file: as it lies on the disk, and its content if that is
// compressed.
type space struct{ file, raw []byte }

// unfinished is where a write broke off.
type unfinished struct {
	number uint32 // of the file
	offset int64
}

// read goes through all files. What visit and fault return ends it.
func (b *blocks) read(ctx context.Context) (*unfinished, error) {
	numbers, err := b.list()
	if err != nil {
		return nil, err
	}
	for _, number := range numbers[min(b.skip, len(numbers)):] {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		broke, err := b.block(number)
		if err != nil || broke != nil {
			return broke, err
		}
		if b.position >= b.limit {
			break
		}
	}
	return nil, nil
}

// list returns the numbers of the files in order; none if there is no store.
func (b *blocks) list() ([]uint32, error) {
	names, err := os.ReadDir(b.dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list the store's files: %w", err)
	}
	var numbers []uint32
	for _, d := range names {
		var n uint32
		if _, err := fmt.Sscanf(d.Name(), "%d.blk", &n); err == nil && d.Name() == blockName(n) {
			numbers = append(numbers, n)
		}
	}
	slices.Sort(numbers)
	return numbers, nil
}

func blockName(n uint32) string { return fmt.Sprintf("%d.blk", n) }

func (b *blocks) block(number uint32) (*unfinished, error) {
	name := filepath.Join(b.dir, blockName(number))
	content, compressed, err := b.load(name)
	if err != nil {
		var damaged *damage
		if errors.As(err, &damaged) {
			return nil, b.fault(Fault{b.position + 1, fmt.Sprintf("entries from %d on cannot be read: file %s: %v", b.position+1, name, err)})
		}
		return nil, err
	}
	sum, err := b.sum(number)
	if err != nil {
		return nil, err
	}
	for at := 0; at < len(content) && b.position < b.limit; {
		r, err := parseRecord(content[at:], sum)
		// A block is compressed from memory and synced before it takes its name.
		if err != nil && !compressed && b.position+1 >= b.tolerate {
			return &unfinished{number, int64(at)}, nil
		}
		if err != nil && r.length == 0 {
			return nil, b.fault(Fault{b.position + 1, fmt.Sprintf("entries from %d on cannot be read: file %s, byte %d: %v", b.position+1, name, at, err)})
		}
		// A write that went over the end of a block may have lost what it wrote there,
		// and kept what it wrote here.
		if at == 0 && r.sequence > b.position+1 && b.position+1 >= b.tolerate {
			return &unfinished{number, 0}, nil
		}
		if err := b.record(r, err, name, at); err != nil {
			return nil, err
		}
		at += r.length
	}
	if b.next != nil {
		b.space, err = b.next(b.space)
	}
	return nil, err
}

// sum returns the checksum of a block's records.
func (b *blocks) sum(number uint32) (hash.Hash, error) {
	key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", b.stream, number))
	return highwayhash.New64(key[:])
}

// record hands on one record whose extent could be made out.
func (b *blocks) record(r blockRecord, damaged error, name string, at int) error {
	next := b.position + 1
	switch {
	case damaged != nil:
		// Its sequence may be what was changed.
		if err := b.fault(Fault{next, fmt.Sprintf("entry %d was changed in the store: file %s, byte %d: %v", next, name, at, damaged)}); err != nil {
			return err
		}
		r.sequence = next
	case r.sequence&flagDeleted != 0:
		deleted := r.sequence &^ flagDeleted
		return b.fault(Fault{deleted, fmt.Sprintf("entry %d was deleted from the store", deleted)})
	case r.sequence&flagErased != 0:
		erased := r.sequence &^ flagErased
		b.position = erased
		return b.fault(Fault{erased, fmt.Sprintf("entry %d was erased in the store", erased)})
	}
	b.position = r.sequence
	return b.visit(message{r.sequence, r.message})
}

// load returns the content of a file, which is valid until the next call.
func (b *blocks) load(name string) (content []byte, compressed bool, err error) {
	if b.space.file, err = readInto(b.space.file[:0], name); err != nil {
		return nil, false, fmt.Errorf("read the store's files: %w", err)
	}
	packed, ok := bytes.CutPrefix(b.space.file, []byte(compressedMark))
	if !ok {
		return b.space.file, false, nil
	}
	size, n := binary.Uvarint(packed)
	if n <= 0 || len(packed) < n+recordChecksum {
		return nil, true, &damage{"its head breaks off"}
	}
	end := len(packed) - recordChecksum
	if b.unpack == nil {
		b.unpack = s2.NewReader(nil)
	}
	b.unpack.Reset(bytes.NewReader(packed[n:end]))
	// The size is believed only as far as it is plausible.
	out := bytes.NewBuffer(slices.Grow(b.space.raw[:0], int(min(size, largestBlock))+bytes.MinRead))
	if _, err := io.Copy(out, b.unpack); err != nil {
		return nil, true, &damage{fmt.Sprintf("decompress: %v", err)}
	}
	out.Write(packed[end:])
	b.space.raw = out.Bytes()
	return b.space.raw, true, nil
}

func readInto(space []byte, name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil {
		space = slices.Grow(space, int(info.Size())+bytes.MinRead)
	}
	out := bytes.NewBuffer(space)
	_, err = out.ReadFrom(f)
	return out.Bytes(), err
}

// damage says that a file does not hold what a block file holds.
type damage struct{ text string }

func (d *damage) Error() string { return d.text }

// blockRecord is one message as the store keeps it.
type blockRecord struct {
	// Bytes that the record takes; 0 if that cannot be made out.
	length   int
	sequence uint64
	message  []byte
}

// parseRecord reads the record at the beginning of b. With an error, length says
// whether the one behind it can still be found.
func parseRecord(b []byte, sum hash.Hash) (blockRecord, error) {
	if len(b) < recordHeader {
		return blockRecord{}, &damage{"a record breaks off"}
	}
	le := binary.LittleEndian
	length, subject := le.Uint32(b), int(le.Uint16(b[20:]))
	headers := length&flagHeaders != 0
	length &^= flagHeaders
	from := recordHeader + subject
	if headers {
		from += 4
	}
	if length > recordLargest || int(length) > len(b) || int(length) < from+recordChecksum {
		return blockRecord{}, &damage{"a record breaks off, or its length was changed"}
	}
	end := int(length) - recordChecksum
	hashed := from
	if headers {
		n := le.Uint32(b[from-4:])
		if uint64(n) > uint64(end-from) {
			return blockRecord{length: int(length)}, &damage{"the record's headers were changed"}
		}
		from += int(n)
	}
	r := blockRecord{int(length), le.Uint64(b[4:]), b[from:end]}
	sum.Reset()
	sum.Write(b[4:20])
	sum.Write(b[recordHeader : recordHeader+subject])
	sum.Write(b[hashed:end])
	if !bytes.Equal(sum.Sum(nil), b[end:length]) {
		return r, &damage{"the record does not have its checksum"}
	}
	return r, nil
}
