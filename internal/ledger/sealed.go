package ledger

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/imprint"
)

// Sealed says what the beginning of a ledger was when it was read and found whole: the
// blocks that are full, which the store never writes again, and the entry that the last
// of them ends with. Files that have the same digests hold the same entries, whose chain
// has been checked.
type Sealed struct {
	End    Head
	Blocks []SealedBlock
}

// SealedBlock is one full block: the number of its file, and the SHA-256 of what is in it.
type SealedBlock struct {
	Number uint32
	Digest Hash
}

// Imprint codes what is sealed.
func (s *Sealed) Imprint(c *imprint.Coder) {
	imprint.Int(c, &s.End.Cursor)
	c.Array(s.End.Hash[:])
	imprint.List(c, &s.Blocks, func(b *SealedBlock) {
		imprint.Int(c, &b.Number)
		c.Array(b.Digest[:])
	})
}

// ErrUnsealed says that the ledger's files do not begin with what was sealed.
var ErrUnsealed = errors.New("the record's files are not those that were checked before")

// holds returns an error, ErrUnsealed among others, unless the ledger in dir begins with
// what is sealed, to the last byte.
func (s *Sealed) holds(ctx context.Context, dir, stream string) error {
	b := blocks{dir: blocksDir(dir, stream)}
	numbers, err := b.list()
	if err != nil {
		return err
	}
	if len(numbers) <= len(s.Blocks) {
		return fmt.Errorf("%w: they end before", ErrUnsealed)
	}
	var file []byte
	for i, block := range s.Blocks {
		if err := ctx.Err(); err != nil {
			return err
		}
		if numbers[i] != block.Number {
			return fmt.Errorf("%w: file %s is not there", ErrUnsealed, b.path(block.Number))
		}
		if file, err = readInto(file[:0], b.path(block.Number)); err != nil {
			return fmt.Errorf("%w: %w", ErrUnsealed, err)
		}
		if sha256.Sum256(file) != block.Digest {
			return fmt.Errorf("%w: file %s was changed", ErrUnsealed, b.path(block.Number))
		}
	}
	return nil
}

// sealedNumbers returns the files of the full blocks at the beginning: compressed, and
// with another one behind them.
func (b *blocks) sealedNumbers() ([]uint32, error) {
	numbers, err := b.list()
	if err != nil || len(numbers) == 0 {
		return nil, err
	}
	for i, number := range numbers[:len(numbers)-1] {
		if full, err := isCompressed(b.path(number)); err != nil || !full {
			return numbers[:i], err
		}
	}
	return numbers[:len(numbers)-1], nil
}

func isCompressed(name string) (bool, error) {
	f, err := os.Open(name)
	if err != nil {
		return false, err
	}
	defer f.Close()
	head := make([]byte, len(compressedMark))
	if _, err := io.ReadFull(f, head); errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return false, nil
	} else if err != nil {
		return false, err
	}
	return string(head) == compressedMark, nil
}

// SealedBlocks returns how many blocks are full; none on an external server.
func (l *Ledger) SealedBlocks() (int, error) {
	if l.options.Cluster != nil {
		return 0, nil
	}
	b := blocks{dir: blocksDir(l.options.Dir, l.options.stream())}
	numbers, err := b.sealedNumbers()
	return len(numbers), err
}

// Seal reads the full blocks from the first entry on, checks them as Open does, and
// returns what is sealed by that: the zero Sealed if no block is full. It goes beside the
// writer, and reads files only. What does not hold is a *BrokenError.
//
// Visit is called with each entry, whose bytes are valid during the call. After each block
// ended is called, with what is sealed so far. After each it rests for so many times as
// long as the block took.
func (l *Ledger) Seal(ctx context.Context, rest int, visit func(Stored) error, ended func(Sealed) error) (Sealed, error) {
	var s Sealed
	if l.options.Cluster != nil {
		return s, nil
	}
	v := verifier{ledger: l}
	b := blocks{
		dir: blocksDir(l.options.Dir, l.options.stream()), stream: l.options.stream(),
		visit: func(m message) error {
			stored, err := v.check(m)
			if err != nil {
				return err
			}
			return visit(stored)
		},
		fault: func(f Fault) error { return &BrokenError{f} },
	}
	b.limit, b.tolerate = noLimit, noLimit
	numbers, err := b.sealedNumbers()
	if err != nil {
		return Sealed{}, fmt.Errorf("seal the record: %w", err)
	}
	for _, number := range slices.Clone(numbers) {
		began := time.Now()
		if _, err := b.block(number); err != nil {
			return Sealed{}, err
		}
		s.Blocks = append(s.Blocks, SealedBlock{number, sha256.Sum256(b.space.file)})
		s.End.Cursor, s.End.Hash = v.chain.Last()
		if err := ended(s); err != nil {
			return Sealed{}, err
		}
		if !pause(ctx, time.Duration(rest)*time.Since(began)) {
			return Sealed{}, ctx.Err()
		}
	}
	return s, nil
}
