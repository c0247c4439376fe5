package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/minio/highwayhash"
)

// A loss of power can leave files that the server does not go on from as it should:
//
//   - the end of a write that was never acknowledged, with holes in it: the server
//     cuts a block off at the first one, and takes what it finds in the next;
//   - a last block that is compressed already, because the name of the next one was
//     lost: the server would write behind it as if it were not;
//   - an index that is not of these blocks: it is written without a sync.
//
// And a hub that was killed, or whose sync failed, leaves the end of a group in the
// kernel's memory, which is read like any other, and nobody syncs any more.
//
// All of this is mended before the server starts. Each step may be cut short by the
// next loss of power, and is then done again.

// mend makes the files such that the server goes on where they can be read to.
// Kept is the directory for what is taken off.
func (b *blocks) mend(broke *unfinished, kept string) error {
	if broke != nil {
		if err := b.cut(broke, kept); err != nil {
			return fmt.Errorf("cut off an unfinished write: %w", err)
		}
	}
	if err := b.expandLast(); err != nil {
		return fmt.Errorf("expand the last block: %w", err)
	}
	if err := b.dropIndex(); err != nil {
		return fmt.Errorf("drop the store's index: %w", err)
	}
	if err := b.syncEnd(); err != nil {
		return fmt.Errorf("sync the last blocks: %w", err)
	}
	return nil
}

func (b *blocks) path(number uint32) string { return filepath.Join(b.dir, blockName(number)) }

// cut takes an unfinished write off, and the files behind it. The bytes are kept beside
// the store. The files go from the last one back, so that what is left breaks off at
// the same place until the end.
func (b *blocks) cut(broke *unfinished, kept string) error {
	numbers, err := b.list()
	if err != nil {
		return err
	}
	for i := len(numbers) - 1; i >= 0 && numbers[i] > broke.number; i-- {
		if err := setAside(b.path(numbers[i]), 0, kept); err != nil {
			return err
		}
		if err := errors.Join(os.Remove(b.path(numbers[i])), syncDir(b.dir)); err != nil {
			return err
		}
	}
	name := b.path(broke.number)
	if err := setAside(name, broke.offset, kept); err != nil {
		return err
	}
	f, err := os.OpenFile(name, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Truncate(broke.offset), f.Sync(), f.Close())
}

// setAside copies a file from an offset on to the directory kept, if there is
// anything.
func setAside(name string, offset int64, kept string) error {
	content, err := readInto(nil, name)
	if err != nil || int64(len(content)) <= offset {
		return err
	}
	return writeSynced(filepath.Join(kept, fmt.Sprintf("unfinished-%s-%d", filepath.Base(name), offset)), content[offset:])
}

// expandLast makes the last block that has anything in it one that can be written
// to. An empty one behind it is removed by the server.
func (b *blocks) expandLast() error {
	numbers, err := b.list()
	if err != nil {
		return err
	}
	for i := len(numbers) - 1; i >= 0; i-- {
		name := b.path(numbers[i])
		if info, err := os.Stat(name); err != nil {
			return err
		} else if info.Size() == 0 {
			continue
		}
		content, compressed, err := b.load(name)
		if err != nil || !compressed {
			return err
		}
		if err := writeSynced(name+".expanded", content); err != nil {
			return err
		}
		return errors.Join(os.Rename(name+".expanded", name), syncDir(b.dir))
	}
	return nil
}

// syncEnd makes durable what was read at the end. A group is smaller than a block, so that
// the last one lies in two at most. They are written again and not just synced: what a
// kernel failed to write back is in its memory as if it were on the disk, and a second
// sync finds nothing to do. A compressed one was synced before it took its name.
func (b *blocks) syncEnd() error {
	numbers, err := b.list()
	if err != nil || len(numbers) == 0 {
		return err
	}
	for _, n := range numbers[max(0, len(numbers)-2):] {
		if err := b.writeAgain(n); err != nil {
			return err
		}
	}
	return syncDir(b.dir)
}

func (b *blocks) writeAgain(number uint32) error {
	content, err := readInto(nil, b.path(number))
	if err != nil || bytes.HasPrefix(content, []byte(compressedMark)) {
		return err
	}
	f, err := os.OpenFile(b.path(number), os.O_RDWR, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(content, 0)
	return errors.Join(err, f.Sync(), f.Close())
}

// indexFile is what the server finds its blocks by, without reading them. It ends
// with the number of the last block, as a varint, the checksum of the last record in
// it, and HighwayHash-64 of all before, keyed with the SHA-256 of the stream's name.
const indexFile = "index.db"

// dropIndex removes an index that is not of the last block's last record. Without one
// the server reads the blocks.
func (b *blocks) dropIndex() error {
	name := filepath.Join(b.dir, indexFile)
	index, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		var fits bool
		if fits, err = b.indexed(index); err == nil && fits {
			return nil
		}
	}
	return errors.Join(err, os.Remove(name))
}

func (b *blocks) indexed(index []byte) (bool, error) {
	numbers, err := b.list()
	if err != nil || len(numbers) == 0 || len(index) < highwayhash.Size64 {
		return false, err
	}
	key := sha256.Sum256([]byte(b.stream))
	sum, err := highwayhash.New64(key[:])
	if err != nil {
		return false, err
	}
	body, hash := index[:len(index)-highwayhash.Size64], index[len(index)-highwayhash.Size64:]
	sum.Write(body)
	if !bytes.Equal(sum.Sum(nil), hash) {
		return false, nil
	}
	last := numbers[len(numbers)-1]
	content, err := readInto(nil, b.path(last))
	if err != nil || len(content) < recordChecksum {
		return false, err
	}
	end := append(binary.AppendUvarint(nil, uint64(last)), content[len(content)-recordChecksum:]...)
	return bytes.HasSuffix(body, end), nil
}

// makeDir makes a directory, and those above it, to last.
func makeDir(dir string) error {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return err
	}
	var made []string
	for d := dir; ; d = filepath.Dir(d) {
		if _, err := os.Stat(d); !errors.Is(err, fs.ErrNotExist) || d == filepath.Dir(d) {
			break
		}
		made = append(made, d)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	for _, d := range made {
		if err := syncDir(filepath.Dir(d)); err != nil {
			return err
		}
	}
	// A hub that was killed may have made it, and the lab's data folder above it, and
	// not synced.
	data := filepath.Dir(dir)
	return errors.Join(syncDir(data), syncDir(filepath.Dir(data)))
}

// writeSynced writes a file and syncs it; not its name.
func writeSynced(name string, content []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	return errors.Join(err, f.Sync(), f.Close())
}
