package hub

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/imprint"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// fill fills about a block of the store with what the fold passes by.
func fill(s *season) {
	for range 3 {
		s.enter(&pb.Entry{Actor: "ana", Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{
			Sample: "nobody's", Text: strings.Repeat("long ", 580_000),
		}}})
	}
}

// come is what a hub comes to when it starts.
type come struct {
	records string
	last    uint64
	entries map[string]uint64
	all     uint64
	grown   uint64
	// whether it started from a checkpoint
	checkpoint bool
}

func startFrom(t testing.TB, data string) come {
	t.Helper()
	h := openHub(t, data)
	defer h.scribe.ledger.Close()
	return come{
		string(recordsOf(t, h.scribe.book)), h.scribe.book.Last(), h.upkeep.tally.entries(), h.upkeep.tally.readings(),
		h.upkeep.tally.growth.Written(), h.checkpoints.blocks > 0,
	}
}

// wholeFold is what a hub comes to without a checkpoint.
func wholeFold(t testing.TB, data string) come {
	t.Helper()
	path := filepath.Join(data, checkpointFile)
	aside := filepath.Join(t.TempDir(), checkpointFile)
	err := os.Rename(path, aside)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	c := startFrom(t, data)
	if err == nil {
		err = os.Rename(aside, path)
	}
	if c.checkpoint || err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("checkpoint %v: %v", c.checkpoint, err)
	}
	return c
}

// makeCheckpoint writes one of everything that is full, as a hub does that serves.
func makeCheckpoint(t testing.TB, data string) {
	t.Helper()
	h := openHub(t, data)
	defer h.scribe.ledger.Close()
	h.checkpoints.rest = 0
	if err := h.checkpoints.renew(t.Context(), h.scribe.ledger); err != nil {
		t.Fatal(err)
	}
}

// seasonOf writes a season of a few blocks, which are full at places that chance chooses.
func seasonOf(t testing.TB, samples int, chance *rand.Rand) (data string) {
	t.Helper()
	data = t.TempDir()
	writeSeason(t, filepath.Join(data, "ledger"), samples, 1+chance.IntN(8), func(s *season) {
		for range 1 + chance.IntN(2) {
			fill(s)
		}
	})
	return data
}

// A hub that starts from a checkpoint comes to the same records and the same counts as one
// that folds the whole record, wherever the blocks end.
func TestP6_CheckpointIsWholeFold(t *testing.T) {
	for seed := range uint64(2) {
		data := seasonOf(t, 8, rand.New(rand.NewPCG(seed, 1)))
		want := wholeFold(t, data)
		makeCheckpoint(t, data)
		got := startFrom(t, data)
		if !got.checkpoint {
			t.Errorf("seed %d: there was no checkpoint to start from", seed)
		}
		if got.checkpoint = false; !reflect.DeepEqual(got, want) {
			t.Errorf("seed %d: with a checkpoint\n%v\nand without\n%v", seed, got, want)
		}
	}
}

// A checkpoint is used as it was written for this record and this program, and else not:
// the start is a fold of everything then.
func TestP6_CheckpointInDoubtIsWithoutEffect(t *testing.T) {
	chance := rand.New(rand.NewPCG(7, 7))
	data := seasonOf(t, 8, chance)
	want := wholeFold(t, data)
	makeCheckpoint(t, data)
	path := filepath.Join(data, checkpointFile)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := startFrom(t, data); !got.checkpoint {
		t.Fatal("the checkpoint as it was written is not used")
	}
	other := seasonOf(t, 8, rand.New(rand.NewPCG(8, 8)))
	makeCheckpoint(t, other)
	ofOther, err := os.ReadFile(filepath.Join(other, checkpointFile))
	if err != nil {
		t.Fatal(err)
	}
	program, err := programDigest()
	if err != nil {
		t.Fatal(err)
	}
	changed := func(change func(*checkpoint)) []byte {
		k, _, err := readCheckpoint(whole, program)
		if err != nil {
			t.Fatal(err)
		}
		change(k)
		var b bytes.Buffer
		if err := k.write(&b, program); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	// short is the checkpoint with a part of its state, under a digest of its own.
	short := func(of func(state int) (left int)) []byte {
		c := imprint.Read(whole[len(checkpointHead)+sha256.Size : len(whole)-sha256.Size])
		new(ledger.Sealed).Imprint(c)
		state := len(c.Rest())
		b := bytes.Clone(whole[:len(whole)-sha256.Size-state+of(state)])
		digest := sha256.Sum256(b)
		return append(b, digest[:]...)
	}
	flipped := func(at int) []byte {
		b := bytes.Clone(whole)
		b[at] ^= 1 << chance.IntN(8)
		return b
	}
	cases := map[string][]byte{
		"nothing":                      {},
		"cut off":                      whole[:len(whole)-1-chance.IntN(len(whole)/2)],
		"with something behind it":     append(bytes.Clone(whole), 0),
		"another's head":               flipped(0),
		"of another program":           flipped(len(checkpointHead) + chance.IntN(sha256.Size)),
		"of another record":            ofOther,
		"with another end":             changed(func(k *checkpoint) { k.sealed.End.Cursor++ }),
		"with another hash of its end": changed(func(k *checkpoint) { k.sealed.End.Hash[3] ^= 1 }),
		"with another block":           changed(func(k *checkpoint) { k.sealed.Blocks[0].Digest[0] ^= 1 }),
		"with a block too few":         changed(func(k *checkpoint) { k.sealed.Blocks = k.sealed.Blocks[1:] }),
		"with blocks to come":          changed(func(k *checkpoint) { k.sealed.Blocks = append(k.sealed.Blocks, make([]ledger.SealedBlock, 9)...) }),
		"with half a state":            short(func(state int) int { return state / 2 }),
		"with a state of nothing":      short(func(int) int { return 0 }),
	}
	for range 6 {
		at := chance.IntN(len(whole))
		cases[fmt.Sprintf("damaged at byte %d", at)] = flipped(at)
	}
	for what, content := range cases {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		if got := startFrom(t, data); !reflect.DeepEqual(got, want) {
			t.Errorf("with a checkpoint %s the hub comes to\n%v\nand without to\n%v", what, got, want)
		}
	}
}

// writesCheckpoints tells a process of this test which data folder to write checkpoints
// into until it is killed.
const writesCheckpoints = "EVENBENCH_TEST_WRITES_CHECKPOINTS"

// A hub that is killed while it writes a checkpoint leaves one, the last or the new one,
// and the next start comes to the same.
func TestP6_KilledWhileWritingACheckpoint(t *testing.T) {
	if data := os.Getenv(writesCheckpoints); data != "" {
		k := newCheckpoints(data, zap.NewNop())
		f, sealed := k.read()
		var err error
		for err == nil && sealed != nil {
			err = k.write(checkpoint{*sealed, f})
		}
		t.Fatalf("sealed %v: %v", sealed, err)
	}
	data := seasonOf(t, 8, rand.New(rand.NewPCG(9, 9)))
	want := wholeFold(t, data)
	makeCheckpoint(t, data)
	want.checkpoint = true
	path := filepath.Join(data, checkpointFile)
	torn := 0
	for round := range 8 {
		child := exec.Command(os.Args[0], "-test.run", "^TestP6_KilledWhileWritingACheckpoint$")
		child.Env = append(os.Environ(), writesCheckpoints+"="+data)
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		for { // until it is in the middle of it
			if _, err := os.Stat(path + ".new"); err == nil {
				break
			}
			time.Sleep(20 * time.Microsecond)
		}
		_ = child.Process.Kill()
		_ = child.Wait()
		if _, err := os.Stat(path + ".new"); err == nil {
			torn++
		}
		if got := startFrom(t, data); !reflect.DeepEqual(got, want) {
			t.Fatalf("killed in round %d, the next start comes to\n%v\nand not to\n%v", round, got, want)
		}
	}
	k, err := os.ReadFile(path)
	if err == nil {
		err = os.WriteFile(path+".new", k[:len(k)/2], 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	if got := startFrom(t, data); !reflect.DeepEqual(got, want) {
		t.Errorf("beside half a checkpoint a hub comes to\n%v\nand not to\n%v", got, want)
	}
	t.Logf("of 8 kills %d left a checkpoint that was not finished", torn)
}

// A record that was damaged behind the back of its checkpoint is found by the next start,
// as it is without one.
func TestP5_CheckpointHidesNoDamage(t *testing.T) {
	data := seasonOf(t, 8, rand.New(rand.NewPCG(7, 7)))
	makeCheckpoint(t, data)
	blocks, err := filepath.Glob(filepath.Join(data, "ledger", "jetstream", "*", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(blocks) < 2 {
		t.Fatalf("%v: %v", blocks, err)
	}
	content, err := os.ReadFile(blocks[0])
	if err != nil {
		t.Fatal(err)
	}
	content[len(content)/2] ^= 4
	if err := os.WriteFile(blocks[0], content, 0o600); err != nil {
		t.Fatal(err)
	}
	k := newCheckpoints(data, zap.NewNop())
	f, sealed := k.read()
	if sealed == nil {
		t.Fatal("there is no checkpoint")
	}
	open := func(sealed *ledger.Sealed) error {
		l, err := ledger.Open(t.Context(), ledger.Options{Dir: filepath.Join(data, "ledger"), Sealed: sealed, Visit: f.visit})
		if err == nil {
			l.Close()
		}
		return err
	}
	if err := open(sealed); !errors.Is(err, ledger.ErrUnsealed) {
		t.Errorf("%v, want that the files are not what was sealed", err)
	}
	f = newFold()
	var broken *ledger.BrokenError
	if err := open(nil); !errors.As(err, &broken) {
		t.Errorf("%v, want that the record is broken", err)
	}
}

// A hub that serves writes a checkpoint when blocks are full. The next one, which starts
// from it, reads those blocks again, and says so if they were damaged since it started.
func TestP5_CheckpointsAreMadeAndDamageIsTold(t *testing.T) {
	data := seasonOf(t, 8, rand.New(rand.NewPCG(7, 7)))
	keep := func(h *Hub, done func() bool, damaged func(error)) {
		t.Helper()
		k := h.checkpoints
		k.step, k.rest, k.pause = 1, 0, 0
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- k.run(ctx, h.scribe.ledger, damaged) }()
		for deadline := time.Now().Add(2 * time.Minute); !done() && time.Now().Before(deadline); {
			time.Sleep(5 * time.Millisecond)
		}
		cancel()
		if err := errors.Join(<-ended, h.scribe.ledger.Close()); err != nil {
			t.Fatal(err)
		}
		if !done() {
			t.Fatal("it did not come about")
		}
	}
	keep(openHub(t, data), func() bool {
		_, err := os.Stat(filepath.Join(data, checkpointFile))
		return err == nil
	}, func(err error) { t.Errorf("a whole record is called damaged: %v", err) })

	h := openHub(t, data)
	if h.checkpoints.blocks == 0 {
		t.Fatal("the checkpoint is not used")
	}
	blocks, err := filepath.Glob(filepath.Join(data, "ledger", "jetstream", "*", "streams", "*", "msgs", "1.blk"))
	if err != nil || len(blocks) != 1 {
		t.Fatalf("%v: %v", blocks, err)
	}
	content, err := os.ReadFile(blocks[0])
	if err != nil {
		t.Fatal(err)
	}
	content[len(content)/2] ^= 4
	if err := os.WriteFile(blocks[0], content, 0o600); err != nil {
		t.Fatal(err)
	}
	h.upkeep.instruments = func() []*pb.InstrumentStatus { return nil }
	keep(h, func() bool { return h.upkeep.damage.Load() != nil }, h.upkeep.foundDamage)
	told := h.upkeep.concerns(nil)
	if len(told) != 1 || told[0].GetPart() != partPast || !strings.Contains(told[0].GetText(), "1.blk") {
		t.Errorf("%v, want that the past was damaged, and in which file", told)
	}
}

// A checkpoint whose state was exchanged for another one, with all its checksums made
// anew, is found when the hub serves: the hub ends, and the next one folds everything.
func TestP6_UntrueCheckpointIsFound(t *testing.T) {
	data := seasonOf(t, 8, rand.New(rand.NewPCG(7, 7)))
	want := wholeFold(t, data)
	makeCheckpoint(t, data)
	k := newCheckpoints(data, zap.NewNop())
	f, sealed := k.read()
	if sealed == nil {
		t.Fatal("there is no checkpoint")
	}
	f.tally.instruments["scale"].readings++
	if err := k.write(checkpoint{*sealed, f}); err != nil {
		t.Fatal(err)
	}
	h := openHub(t, data)
	defer h.scribe.ledger.Close()
	if h.upkeep.tally.readings() == want.all {
		t.Fatal("the exchanged checkpoint was not used, so that there is nothing to be found")
	}
	h.checkpoints.rest = 0
	var wrong *untrueError
	if err := h.checkpoints.look(t.Context(), h.scribe.ledger); !errors.As(err, &wrong) {
		t.Errorf("%v, want that the checkpoint is untrue", err)
	}
	if _, err := os.Stat(filepath.Join(data, checkpointFile)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the checkpoint is still there: %v", err)
	}
}
