package book_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// skim folds entries as they are stored.
func skim(t rapid.TB, entries []*pb.Entry) (*book.Book, []*pb.Entry) {
	t.Helper()
	s := book.NewSkim()
	skimInto(t, s, entries)
	owed, err := s.Finish(nil)
	if err != nil {
		t.Fatal(err)
	}
	return s.Book, owed
}

func skimInto(t rapid.TB, s *book.Skim, entries []*pb.Entry) {
	t.Helper()
	for _, e := range entries {
		stored, err := proto.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		h, readings, err := pb.ReadHeading(stored)
		switch {
		case err == nil && readings:
			err = s.Readings(h, stored)
		case err == nil:
			err = s.Apply(proto.CloneOf(e))
		}
		if err != nil {
			t.Fatal(err)
		}
		for i := range stored {
			stored[i] = 0xff // nobody may have kept them
		}
	}
}

// busy is a day of one drum, with what people do about it.
func busy(t *rapid.T) *scene {
	s := newScene()
	for i := range rapid.IntRange(1, 5).Draw(t, "roasts") {
		code := fmt.Sprintf("K-%d", i)
		s.register(code)
		s.place("scales", code, s.now)
		s.weigh(150)
		if rapid.IntRange(0, 5).Draw(t, "queued") > 0 {
			s.queue(code)
		}
		length := time.Duration(rapid.IntRange(400, 700).Draw(t, "length")) * time.Second
		start := s.now.Add(time.Duration(rapid.IntRange(40, 300).Draw(t, "preheated")) * time.Second)
		end := start.Add(length)
		s.probe(start, length, start.Add(3*time.Minute))
		if id := s.book.RoastOn("drum"); id != "" {
			s.mark(id, pb.MarkKind_MARK_KIND_YELLOWING, s.now, "")
			if rapid.IntRange(0, 4).Draw(t, "charge moved") == 0 {
				s.mark(id, pb.MarkKind_MARK_KIND_CHARGE, start.Add(2*time.Second), "seen")
			}
		}
		if rapid.IntRange(0, 5).Draw(t, "driver dies") == 0 {
			s.endRun("probes")
			s.wait(10 * time.Second)
			s.runAgain("probes")
		}
		s.probe(start, length, end)
		if id := s.book.RoastOn("drum"); id != "" && rapid.IntRange(0, 2).Draw(t, "drop marked") == 0 {
			s.mark(id, pb.MarkKind_MARK_KIND_DROP, s.now, "")
			if rapid.IntRange(0, 2).Draw(t, "and withdrawn") == 0 {
				if was, ok := s.book.Mark(id, pb.MarkKind_MARK_KIND_DROP); ok {
					s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{
						Roast: id, Kind: pb.MarkKind_MARK_KIND_DROP, At: was.GetAt(), Method: "person", Replaces: was.GetCursor(), Withdrawn: true, Reason: "too early",
					}}})
				}
			}
		}
		s.probe(start, length, end.Add(time.Duration(rapid.IntRange(20, 120).Draw(t, "after"))*time.Second))
		s.place("scales", code, s.now)
		s.weigh(128)
		switch rapid.IntRange(0, 7).Draw(t, "assured") {
		case 0:
			s.calibrate("scale "+code, "scale", "mass", "g", "", 0.5, start)
		case 1:
			if s.book.RoastOn("drum") == "" {
				e := s.calibration("probe "+code, "probes", "bean", "Cel", "", 1.5, start.Add(-time.Minute))
				if _, roasts := s.book.Concerned(e.GetCalibrationMade().GetCalibration()); rapid.Bool().Draw(t, "curves are lent") {
					for _, id := range roasts {
						s.curveAnew(id, 1.5)
					}
				}
				s.record(e)
			}
		case 2:
			of := rapid.SampledFrom([][2]string{{"scale", "mass"}, {"probes", "bean"}}).Draw(t, "checked")
			s.check(of[0], of[1], "known", pb.CheckVerdict(rapid.IntRange(1, 3).Draw(t, "verdict")))
		}
	}
	return s
}

// A fold that leaves out what no longer matters comes to the same as one that does not:
// the same records, the same that is owed, and from then on the same of every reading.
func TestP6_SkimIsReplay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := busy(t)
		cut := len(s.entries) - rapid.IntRange(0, len(s.entries)-1).Draw(t, "left out")
		replay := &book.Replay{Book: book.New()}
		for _, e := range s.entries[:cut] {
			replay.Apply(proto.CloneOf(e))
		}
		skimmed, owed := skim(t, s.entries[:cut])
		compare(t, fmt.Sprintf("owed after entry %d", cut), owed, replay.Owed())
		goOnAlike(t, s.entries[cut:], skimmed, replay.Book)
	})
}

// goOnAlike shows that two books come to the same of the entries that follow, and in all.
func goOnAlike(t rapid.TB, rest []*pb.Entry, skimmed, replayed *book.Book) {
	t.Helper()
	for i, e := range rest {
		compare(t, fmt.Sprintf("what follows from entry %d, %d after the skim", e.GetCursor(), i),
			skimmed.Apply(proto.CloneOf(e)), replayed.Apply(proto.CloneOf(e)))
	}
	want, _ := replayed.List("", 0, 100, 1<<30)
	got, _ := skimmed.List("", 0, 100, 1<<30)
	if len(got) != len(want) {
		t.Fatalf("%d samples, want %d", len(got), len(want))
	}
	for i := range want {
		if string(bytesOf(t, got[i])) != string(bytesOf(t, want[i])) {
			t.Fatalf("%s:\nskimmed  %v\nreplayed %v", want[i].GetSample(), got[i], want[i])
		}
		for _, r := range want[i].GetRoasts() {
			if got, want := fmt.Sprint(skimmed.Span(r.GetRoast())), fmt.Sprint(replayed.Span(r.GetRoast())); got != want {
				t.Fatalf("span of %s: %s, want %s", r.GetRoast(), got, want)
			}
		}
	}
}

func compare(t rapid.TB, what string, got, want []*pb.Entry) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %v, want %v", what, got, want)
	}
	for i := range want {
		if !proto.Equal(got[i], want[i]) {
			t.Fatalf("%s: %v, want %v", what, got[i], want[i])
		}
	}
}

// A record whose charges were found in another way, by another version of the hub, is not
// taken for what this one would have found.
func TestSkimSaysWhenItIsUnsure(t *testing.T) {
	s := newScene()
	for i := range 3 {
		wholeWay(s, fmt.Sprintf("K-%d", i))
	}
	k := book.NewSkim()
	for _, e := range s.entries {
		if m := e.GetRoastOpened(); m != nil {
			m.BeanCel = proto.Float64(m.GetBeanCel() + 1)
		}
		stored, err := proto.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if h, ok, _ := pb.ReadHeading(stored); ok {
			err = k.Readings(h, stored)
		} else {
			err = k.Apply(e)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if _, err := k.Finish(nil); !errors.Is(err, book.ErrUnsure) {
		t.Fatalf("%v, want that it is unsure", err)
	}
}
