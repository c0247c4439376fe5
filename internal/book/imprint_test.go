package book_test

import (
	"bytes"
	"fmt"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/imprint"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func written(t rapid.TB, s *book.Skim) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := s.Imprint(imprint.Write(&b)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func readBack(t rapid.TB, state []byte) *book.Skim {
	t.Helper()
	s := book.NewSkim()
	if err := s.Imprint(imprint.Read(bytes.Clone(state))); err != nil {
		t.Fatal(err)
	}
	return s
}

// A fold that was written down at any entry, read, and gone on with, as often as one
// likes, comes to what a fold of everything comes to: the same records, the same that is
// owed, and from then on the same of every reading.
func TestP6_WrittenFoldGoesOn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := busy(t)
		end := len(s.entries) - rapid.IntRange(0, len(s.entries)-1).Draw(t, "left out")
		whole, parts := book.NewSkim(), book.NewSkim()
		replay := &book.Replay{Book: book.New()}
		for _, e := range s.entries[:end] {
			replay.Apply(proto.CloneOf(e))
		}
		left := rapid.IntRange(0, 3).Draw(t, "times")
		for from := 0; from < end; left-- {
			to := end
			if left > 0 {
				to = from + rapid.IntRange(1, end-from).Draw(t, "entries")
			}
			skimInto(t, whole, s.entries[from:to])
			skimInto(t, parts, s.entries[from:to])
			state := written(t, whole)
			if !bytes.Equal(written(t, parts), state) {
				t.Fatalf("after entry %d the state of a fold that was read is not that of one that was not", to)
			}
			parts, from = readBack(t, state), to
			if !bytes.Equal(written(t, parts), state) {
				t.Fatalf("the state after entry %d is not read as it was written", to)
			}
		}
		owed, err := parts.Finish(nil)
		if err != nil {
			t.Fatal(err)
		}
		compare(t, fmt.Sprintf("owed after entry %d", end), owed, replay.Owed())
		goOnAlike(t, s.entries[end:], parts.Book, replay.Book)
	})
}

// Whose devices the instruments have is part of what is written.
func TestP6_WrittenFoldKnowsTheDevices(t *testing.T) {
	s := newScene()
	s.record(&pb.Entry{Body: &pb.Entry_InstrumentIdentified{InstrumentIdentified: &pb.InstrumentIdentified{
		Instrument: "scale", Run: "run-1", Identity: "B-2", Expected: "A-1",
	}}})
	k := book.NewSkim()
	skimInto(t, k, s.entries)
	read := readBack(t, written(t, k))
	for _, skim := range []*book.Skim{k, read} {
		if _, err := skim.Finish(nil); err != nil {
			t.Fatal(err)
		}
	}
	want := book.Device{Own: "A-1", Answers: "B-2", Run: "run-1"}
	if got := read.Book.Device("scale"); got != want || k.Book.Device("scale") != want {
		t.Errorf("read back: %+v, want %+v", got, want)
	}
}

// A state that is damaged is refused, or is read as another state; it is never the end of
// the program.
func FuzzImprint(f *testing.F) {
	s := newScene()
	for i := range 2 {
		wholeWay(s, fmt.Sprintf("K-%d", i))
	}
	for _, n := range []int{1, len(s.entries) / 2, len(s.entries)} {
		k := book.NewSkim()
		skimInto(f, k, s.entries[:n])
		f.Add(written(f, k))
	}
	f.Fuzz(func(_ *testing.T, state []byte) {
		_ = book.NewSkim().Imprint(imprint.Read(state))
	})
}
