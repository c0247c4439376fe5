package hub

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"time"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/imprint"
	"github.com/evenbench/evenbench/internal/ledger"
)

// A checkpoint is where the fold of the record stood at the end of its full blocks, so
// that a start goes on from there. It is no part of the record, and nothing is lost with
// it: the file may be deleted at any time.
//
// It counts only for the very program that wrote it, undamaged, and with every full block
// unchanged to the last byte: a start checks as much of the record as one without it does.
// It is always made of a fold from the first entry on, never of the checkpoint before; and
// the one that the hub started from is compared with that fold when the hub serves.
//
// The file: checkpointHead, the SHA-256 of the program, what is sealed, the state of the
// fold, see package imprint, and the SHA-256 of all that. It is written as it is made, and
// never lies in memory as a whole.
type checkpoint struct {
	sealed ledger.Sealed
	fold   *fold
}

const (
	checkpointFile = "checkpoint"
	checkpointHead = "evenbench checkpoint\n"
	// A new checkpoint is due when so many blocks are full since the last one, and one in
	// so many of them all: half a second of folding at a start. Each is made of a whole
	// fold, so that they must be few.
	checkpointBlocks, checkpointShare = 8, 16
	checkpointLook                    = time.Minute
	// The first one waits for the drivers to be started; and all rest three times as long
	// as they work, so that they take a quarter of a processor.
	checkpointPause, checkpointRest = 10 * time.Second, 3
	// While one is made there is a second book in memory. What the collector lets lie is
	// bounded then by so many hundredths of what is in use.
	checkpointGarbage = 25
)

// programDigest is the SHA-256 of this program.
func programDigest() (d ledger.Hash, err error) {
	name := "/proc/self/exe" // what runs, also where another has its name by now
	if runtime.GOOS != "linux" {
		if name, err = os.Executable(); err != nil {
			return d, err
		}
	}
	f, err := os.Open(name)
	if err != nil {
		return d, err
	}
	defer f.Close()
	sum := sha256.New()
	_, err = io.Copy(sum, f)
	return ledger.Hash(sum.Sum(nil)), err
}

// write writes the checkpoint as a program writes it.
func (k *checkpoint) write(to io.Writer, program ledger.Hash) error {
	sum := sha256.New()
	all := io.MultiWriter(to, sum)
	if _, err := all.Write(append([]byte(checkpointHead), program[:]...)); err != nil {
		return err
	}
	c := imprint.Write(all)
	k.sealed.Imprint(c)
	if err := k.fold.imprint(c); err != nil {
		return err
	}
	_, err := to.Write(sum.Sum(nil))
	return err
}

// readCheckpoint reads what write wrote. It returns the digest of its state as well.
func readCheckpoint(b []byte, program ledger.Hash) (*checkpoint, ledger.Hash, error) {
	var state ledger.Hash
	rest, ok := bytes.CutPrefix(b, []byte(checkpointHead))
	if !ok || len(rest) < 2*sha256.Size {
		return nil, state, errors.New("it is no checkpoint")
	}
	if ledger.Hash(rest[:sha256.Size]) != program {
		return nil, state, errors.New("another version of the hub wrote it")
	}
	end := len(b) - sha256.Size
	if sha256.Sum256(b[:end]) != ledger.Hash(b[end:]) {
		return nil, state, errors.New("it is damaged")
	}
	k, c := &checkpoint{fold: newFold()}, imprint.Read(rest[sha256.Size:len(rest)-sha256.Size])
	k.sealed.Imprint(c)
	state = sha256.Sum256(c.Rest())
	return k, state, k.fold.imprint(c)
}

// checkpoints writes checkpoints, and reads the last one.
type checkpoints struct {
	path    string
	program ledger.Hash
	log     *zap.Logger
	// blocks of the newest checkpoint, or at the newest attempt to make one.
	blocks int
	// The one that the hub started from, until it has been compared: where it ends, and
	// the digest of its state.
	from struct {
		end   ledger.Head
		state ledger.Hash
	}
	step, rest int
	pause      time.Duration // before the first look
}

func newCheckpoints(data string, log *zap.Logger) *checkpoints {
	return &checkpoints{path: filepath.Join(data, checkpointFile), log: log, step: checkpointBlocks, rest: checkpointRest, pause: checkpointPause}
}

// read returns the fold to start from and what is sealed of the record by then: a new
// fold and nil where there is no checkpoint, or any doubt about it.
func (k *checkpoints) read() (*fold, *ledger.Sealed) {
	f, sealed, err := k.load()
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			k.log.Info("the whole record is folded: the checkpoint cannot be used", zap.String("file", k.path), zap.Error(err))
		}
		return newFold(), nil
	}
	return f, sealed
}

func (k *checkpoints) load() (*fold, *ledger.Sealed, error) {
	b, err := os.ReadFile(k.path)
	if err != nil {
		return nil, nil, err
	}
	if k.program, err = programDigest(); err != nil {
		return nil, nil, err
	}
	saved, state, err := readCheckpoint(b, k.program)
	if err != nil {
		return nil, nil, err
	}
	if at := saved.fold.skim.Last(); at != saved.sealed.End.Cursor {
		return nil, nil, fmt.Errorf("it is of entry %d, and says that it is of entry %d", at, saved.sealed.End.Cursor)
	}
	k.blocks = len(saved.sealed.Blocks)
	k.from.end, k.from.state = saved.sealed.End, state
	return saved.fold, &saved.sealed, nil
}

// drop forgets the checkpoint that was read.
func (k *checkpoints) drop(why error) {
	k.log.Info("the whole record is folded: the checkpoint does not fit it", zap.String("file", k.path), zap.Error(why))
	k.blocks, k.from.end = 0, ledger.Head{}
}

// run compares the checkpoint that the hub started from with the record, and writes new
// ones, until ctx ends. An error is one that the hub cannot go on with.
func (k *checkpoints) run(ctx context.Context, l *ledger.Ledger, damaged func(error)) error {
	for wait := k.pause; ; wait = checkpointLook {
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-timer.C:
		}
		var wrong *untrueError
		var broken *ledger.BrokenError
		switch err := k.look(ctx, l); {
		case err == nil || ctx.Err() != nil:
		case errors.As(err, &wrong):
			return err
		case errors.As(err, &broken):
			k.log.Error("the record was damaged on the disk after the hub had checked it", zap.Error(err))
			damaged(err)
			return nil
		default:
			k.log.Warn("a checkpoint could not be made, and the next start takes longer; it is tried again when the record has grown",
				zap.String("file", k.path), zap.Error(err))
			if full, err := l.SealedBlocks(); err == nil {
				k.blocks = full
			}
		}
	}
}

// look makes a checkpoint if one is due, or if that which the hub started from has not
// been compared.
func (k *checkpoints) look(ctx context.Context, l *ledger.Ledger) error {
	full, err := l.SealedBlocks()
	if err != nil {
		return err
	}
	if full < k.blocks+max(k.step, full/checkpointShare) && k.from.end.Cursor == 0 {
		return nil
	}
	defer debug.FreeOSMemory() // and not whenever the collector comes to it
	defer debug.SetGCPercent(debug.SetGCPercent(checkpointGarbage))
	return k.renew(ctx, l)
}

// untrueError says that the hub started from a checkpoint that the record does not bear
// out. What the hub has served since, and what it has recorded as following, may be wrong.
type untrueError struct{ end uint64 }

func (e *untrueError) Error() string {
	return fmt.Sprintf("the checkpoint that this hub started from is not what the record comes to up to entry %d: what was shown since the start may be wrong; "+
		"the entries themselves are not touched by it. The checkpoint is deleted, and the next start folds the whole record", e.end)
}

// renew folds the full blocks from the first entry on, compares, and writes.
func (k *checkpoints) renew(ctx context.Context, l *ledger.Ledger) error {
	f := newFold()
	sealed, err := l.Seal(ctx, k.rest, f.visit, func(s ledger.Sealed) error {
		if f.unsure != nil {
			return f.unsure
		}
		return k.compare(f, s.End)
	})
	if err != nil {
		return err
	}
	if k.from.end.Cursor != 0 { // the blocks end before it
		return k.untrue()
	}
	if len(sealed.Blocks) == k.blocks {
		return nil
	}
	if err := k.write(checkpoint{sealed, f}); err != nil {
		return err
	}
	k.blocks = len(sealed.Blocks)
	k.log.Info("wrote a checkpoint", zap.Uint64("entry", sealed.End.Cursor))
	return nil
}

// compare looks whether the checkpoint that the hub started from is what the record comes
// to, when the fold is there.
func (k *checkpoints) compare(f *fold, end ledger.Head) error {
	if k.from.end.Cursor == 0 || end.Cursor < k.from.end.Cursor {
		return nil
	}
	state, err := f.digest()
	if err != nil {
		return err
	}
	if end != k.from.end || state != k.from.state {
		return k.untrue()
	}
	k.from.end = ledger.Head{}
	return nil
}

func (k *checkpoints) untrue() error {
	return errors.Join(&untrueError{k.from.end.Cursor}, os.Remove(k.path))
}

// write puts a checkpoint into the place of the last one. Its name need not last: without
// it the last one counts, or none.
func (k *checkpoints) write(saved checkpoint) (err error) {
	if k.program == (ledger.Hash{}) {
		if k.program, err = programDigest(); err != nil {
			return err
		}
	}
	f, err := os.OpenFile(k.path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	if err = errors.Join(saved.write(f, k.program), f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return os.Rename(f.Name(), k.path)
}

// keepCheckpoints writes checkpoints until the hub stops.
func (h *Hub) keepCheckpoints() {
	defer close(h.kept)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		defer cancel()
		select {
		case <-h.stopping:
		case <-ctx.Done():
		}
	}()
	if err := h.checkpoints.run(ctx, h.scribe.ledger, h.upkeep.foundDamage); err != nil {
		h.failed <- err
	}
}
