package book_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// wholeWay takes one sample through the bench: 150 g in, 128.4 g out.
func wholeWay(s *scene, code string) {
	s.register(code)
	s.place("scales", code, s.now)
	s.weigh(150)
	s.place("moisture", code, s.now)
	s.read("meter", value{channel: "moisture", value: 11.2, text: "11.2"})
	s.wait(time.Minute)
	s.queue(code)
	s.roastFor(10 * time.Minute)
	s.place("scales", code, s.now)
	s.weigh(128.4)
}

func TestSampleGoesTheWholeWay(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	r := s.sample(t, "A")
	for property, want := range map[string]float64{"charge_mass": 150, "moisture": 11.2, "roasted_mass": 128.4} {
		if m := measured(r, property); m == nil || m.GetValue() != want {
			t.Errorf("%s = %v, want %g", property, m, want)
		}
	}
	if len(r.GetRoasts()) != 1 {
		t.Fatalf("%d roasts, want 1", len(r.GetRoasts()))
	}
	roast := r.GetRoasts()[0]
	if roast.GetState() != pb.RoastState_ROAST_STATE_DROPPED {
		t.Errorf("state %v", roast.GetState())
	}
	// 100·(150 − 128.4)/150.
	if f := finding(roast, "loss_in_mass"); f == nil || f.GetValue() < 14.399 || f.GetValue() > 14.401 {
		t.Errorf("loss in mass %v, want 14.4 %%", f)
	}
	if f := finding(roast, "total_time"); f == nil || f.GetValue() < 590 || f.GetValue() > 610 {
		t.Errorf("total time %v, want 600 s within 10 s", f)
	}
	if r.GetQueuedFor() != "" {
		t.Errorf("still queued for %s", r.GetQueuedFor())
	}
	for _, p := range r.GetPlacements() {
		if gone := p.GetTo() != nil; gone != (p.GetStation() == "drum") {
			t.Errorf("placement %v: it lies on both benches, and no longer in the drum", p)
		}
	}
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_UNASSIGNED); len(flags) > 0 {
		t.Errorf("flagged %v", flags)
	}
}

// Folding what was recorded gives, byte for byte, what the live book had.
func TestP6_ReplayIsLive(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	wholeWay(s, "B")
	s.assign("meter", 1, 1, "B")
	replay := &book.Replay{Book: book.New()}
	live := map[string][]byte{}
	for _, e := range s.entries {
		replay.Apply(proto.CloneOf(e))
	}
	for _, code := range []string{"A", "B"} {
		live[code] = bytesOf(t, s.sample(t, code))
		again, _ := replay.Book.Record(code)
		if string(bytesOf(t, again)) != string(live[code]) {
			t.Errorf("%s:\nlive   %v\nreplay %v", code, s.sample(t, code), again)
		}
	}
	if owed := replay.Owed(); len(owed) > 0 {
		t.Errorf("%d entries owed at the end of a whole record: %v", len(owed), owed)
	}
}

func bytesOf(t rapid.TB, m proto.Message) []byte {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A hub may end after any entry. The next one records what is owed, and comes to
// the same records as if nothing had happened.
func TestReplayFinishesAStepCutShort(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	rapid.Check(t, func(t *rapid.T) {
		cut := rapid.IntRange(1, len(s.entries)).Draw(t, "cut")
		replay := &book.Replay{Book: book.New()}
		for _, e := range s.entries[:cut] {
			replay.Apply(proto.CloneOf(e))
		}
		next := s.entries[cut:]
		for _, owed := range replay.Owed() {
			if len(next) == 0 || next[0].GetCause() == 0 {
				t.Fatalf("owed after entry %d, and was not recorded then: %v", cut, owed)
			}
			want := proto.CloneOf(next[0])
			want.Cursor, want.RecordedAt, want.Actor = 0, nil, ""
			if !proto.Equal(owed, want) {
				// What follows from an owed entry comes before the next owed one.
				break
			}
			next = next[1:]
		}
		if len(replay.Owed()) == 0 && len(next) > 0 && next[0].GetCause() != 0 {
			t.Fatalf("after entry %d nothing is owed, but %v followed", cut, next[0])
		}
	})
}

func TestListPages(t *testing.T) {
	s := newScene()
	for _, code := range []string{"A1", "B1", "A2", "A3"} {
		s.register(code)
	}
	first, next := s.book.List("a", 0, 2, 1<<20)
	if len(first) != 2 || next == 0 {
		t.Fatalf("first page %v, next %d", first, next)
	}
	second, next := s.book.List("a", next, 2, 1<<20)
	if len(second) != 1 || second[0].GetSample() != "A3" || next != 0 {
		t.Errorf("second page %v, next %d", second, next)
	}
}
