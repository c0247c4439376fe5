// Package backup keeps a copy of a record in one file, and makes a record of it
// again.
//
// The file begins with the line "evenbench backup 1" and goes on with parts. A part
// is a length as an unsigned varint, as in protocol buffers, and that many bytes:
// the stored bytes of the next entry. A length of 0 begins a seal instead: the
// cursor of the entry before, 8 bytes, most significant first, and the SHA-256 of
// its bytes, 32 bytes. Every entry has the SHA-256 of the one before in its field
// previous_hash, so that the file proves itself from the first entry to its last
// seal. A backup that goes on appends parts and another seal; nothing in the file is
// ever rewritten, but for what an interrupted one left of its last part.
package backup

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/evenbench/evenbench/internal/ledger"
)

const firstLine = "evenbench backup 1\n"

// A seal after its length of 0.
const sealBytes = 8 + len(ledger.Hash{})

// Contents are what a backup holds.
type Contents struct {
	RecordID string
	// The last entry.
	Head ledger.Head
	// Sealed says that the file ends with a seal: it is as long as it was when it
	// was made, or as it was after an earlier backup.
	Sealed bool
	// End is the length in bytes of all whole parts; what is behind them was left by
	// a backup that was interrupted, or by whatever cut the file.
	End int64
	// Torn says that there is something behind them.
	Torn bool
}

// DamageError says where a backup was changed.
type DamageError struct {
	// Byte is the offset in the file of the part that is wrong.
	Byte int64
	Text string
}

func (e *DamageError) Error() string { return fmt.Sprintf("at byte %d: %s", e.Byte, e.Text) }

// scanner reads a backup and checks it.
type scanner struct {
	in       *bufio.Reader
	chain    ledger.Chain
	contents Contents
	// at is the offset of the next byte.
	at int64
}

func newScanner(r io.Reader) *scanner { return &scanner{in: bufio.NewReaderSize(r, 1<<20)} }

// begin reads the first line.
func (s *scanner) begin() error {
	line := make([]byte, len(firstLine))
	n, err := io.ReadFull(s.in, line)
	switch {
	case err == io.EOF || errors.Is(err, io.ErrUnexpectedEOF):
		if !bytes.HasPrefix([]byte(firstLine), line[:n]) {
			return &DamageError{0, "this is not a backup of a record"}
		}
		s.contents.Torn = n > 0
		return io.EOF
	case err != nil:
		return err
	case string(line) != firstLine:
		return &DamageError{0, fmt.Sprintf("this is not a backup of a record that this version reads: it begins with %q, not %q", line, firstLine)}
	}
	s.at = int64(len(line))
	s.contents.End = s.at
	return nil
}

// next returns the stored bytes of the next entry, io.EOF at the end. The bytes are
// the caller's.
func (s *scanner) next() ([]byte, error) {
	for {
		start := s.at
		size, err := binary.ReadUvarint(counting{s})
		switch {
		case errors.Is(err, io.EOF) && s.at == start:
			return nil, io.EOF
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			s.contents.Torn = true
			return nil, io.EOF
		case err != nil:
			return nil, &DamageError{start, fmt.Sprintf("the length of what follows entry %d cannot be read: %v", s.contents.Head.Cursor, err)}
		case size > ledger.MaxEntryBytes:
			return nil, &DamageError{start, fmt.Sprintf("entry %d would be %d bytes long; the largest is %d", s.contents.Head.Cursor+1, size, ledger.MaxEntryBytes)}
		}
		part := make([]byte, size)
		if size == 0 {
			part = make([]byte, sealBytes)
		}
		n, err := io.ReadFull(s.in, part)
		s.at += int64(n)
		switch {
		case err == io.EOF || errors.Is(err, io.ErrUnexpectedEOF):
			s.contents.Torn = true
			return nil, io.EOF
		case err != nil:
			return nil, fmt.Errorf("read at byte %d: %w", s.at, err)
		}
		if size > 0 {
			return part, s.entry(part, start)
		}
		if err := s.seal(part, start); err != nil {
			return nil, err
		}
	}
}

func (s *scanner) entry(part []byte, start int64) error {
	cursor := s.contents.Head.Cursor + 1
	if faults := s.chain.Add(cursor, part); len(faults) > 0 {
		return &DamageError{start, faults[0].Text}
	}
	if cursor == 1 {
		e, err := ledger.Stored{Cursor: 1, Bytes: part}.Entry()
		if err != nil || e.GetRecordOpened() == nil {
			return &DamageError{start, "entry 1 does not open a record"}
		}
		s.contents.RecordID = e.GetRecordOpened().GetRecordId()
	}
	s.contents.Head.Cursor, s.contents.Head.Hash = s.chain.Last()
	s.contents.End, s.contents.Sealed = s.at, false
	return nil
}

func (s *scanner) seal(part []byte, start int64) error {
	cursor := binary.BigEndian.Uint64(part)
	last := s.contents.Head
	switch {
	case cursor != last.Cursor:
		return &DamageError{start, fmt.Sprintf("entry %d is sealed as entry %d: the seal was changed, or entries were taken out or put in", last.Cursor, cursor)}
	case !bytes.Equal(part[8:], last.Hash[:]):
		return &DamageError{start, fmt.Sprintf("entry %d does not have the hash that it was sealed with: one of the two was changed", last.Cursor)}
	}
	s.contents.End, s.contents.Sealed = s.at, true
	return nil
}

// counting counts the bytes that a scanner reads one by one.
type counting struct{ *scanner }

func (c counting) ReadByte() (byte, error) {
	b, err := c.in.ReadByte()
	if err == nil {
		c.at++
	}
	return b, err
}

// Read reads a whole backup, checks it, and calls visit, which may be nil, with the
// stored bytes of each entry. What was changed is returned as a *DamageError; a
// backup that ends early has Torn or not Sealed in its contents.
func Read(r io.Reader, visit func(stored []byte) error) (Contents, error) {
	s := newScanner(r)
	err := s.begin()
	for err == nil {
		var stored []byte
		if stored, err = s.next(); err == nil && visit != nil {
			err = visit(stored)
		}
	}
	if err == io.EOF {
		err = nil
	}
	return s.contents, err
}

// appendEntry and appendSeal write parts.
func appendEntry(b, stored []byte) []byte {
	return append(binary.AppendUvarint(b, uint64(len(stored))), stored...)
}

func appendSeal(b []byte, h ledger.Head) []byte {
	b = binary.BigEndian.AppendUint64(append(b, 0), h.Cursor)
	return append(b, h.Hash[:]...)
}
