package simlab

import (
	"context"
	"fmt"
	"io"
	"reflect"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/simlab/cable"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// loose is a cable that ends in the air, so that a day can pass on a clock of its
// own (synctest).
type loose struct{}

func (loose) Link() string { return "{tcp: 127.0.0.1:1}" }
func (loose) Say([]byte)   {}
func (loose) Unplug()      {}
func (loose) Plug() error  { return nil }
func (loose) Close()       {}

var unwired = wiring{
	network: func(cable.Serve) (cable.Cable, error) { return loose{}, nil },
	serial:  func(cable.Serve) (cable.Cable, error) { return loose{}, nil },
}

// hub is a hub that agrees to everything and remembers what it was asked. It
// stands for the real one only where a test is about the lab.
type hub struct {
	mu     sync.Mutex
	asked  []proto.Message // what writes
	looks  uint64
	refuse func(method string) error
}

func (h *hub) Invoke(_ context.Context, method string, in, out any, _ ...grpc.CallOption) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if list, ok := out.(*pb.ListInstrumentsResponse); ok {
		h.looks++
		list.Instruments = []*pb.InstrumentStatus{{Instrument: "drum-1-probes", LastNumber: 1000 * h.looks}}
		return nil
	}
	h.asked = append(h.asked, proto.Clone(in.(proto.Message)))
	if h.refuse != nil {
		return h.refuse(method)
	}
	return nil
}

func (h *hub) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, io.ErrUnexpectedEOF
}

// dayOf lets as much of a day pass as long says, in lab time, and returns what
// happened.
func dayOf(t *testing.T, seed uint64, long time.Duration) (roasts []Roast, samples []Sample, asked []proto.Message, lines []string) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		l, err := start(t.Context(), Options{Seed: seed}, unwired)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Stop()
		ctx, cancel := context.WithTimeout(t.Context(), l.Clock().Real(long))
		defer cancel()
		h := &hub{}
		if err := l.Work(ctx, h, func(s string) { lines = append(lines, s) }); err != nil {
			t.Error(err)
		}
		roasts, samples, asked = l.Roasts(), l.Samples(), h.asked
	})
	return roasts, samples, asked, lines
}

func TestDayIsWhole(t *testing.T) {
	roasts, samples, asked, _ := dayOf(t, 1, 24*time.Hour)
	if len(samples) != 30 || len(roasts) != 30 {
		t.Fatalf("got %d samples and %d roasts, want 30 and 30", len(samples), len(roasts))
	}
	lots := map[string]bool{}
	for i, r := range roasts {
		lots[samples[i].Lot] = true
		if r.Sample != samples[i].Code {
			t.Errorf("roast %d is of %s, want %s", i, r.Sample, samples[i].Code)
		}
		if want := fmt.Sprintf("drum-%d", i%4+1); r.Station != want {
			t.Errorf("%s was roasted in %s, want %s", r.Sample, r.Station, want)
		}
		if got := r.Charged - chargeAt(i); got != 0 {
			t.Errorf("%s was charged %v off its time", r.Sample, got)
		}
		for what, order := range map[string]bool{
			"turning point after charge":  r.TurningPoint > r.Charged,
			"yellowing after turning":     r.Yellowing > r.TurningPoint,
			"first crack after yellowing": r.FirstCrack > r.Yellowing,
			"drop after first crack":      r.Dropped > r.FirstCrack,
			"total 8 to 13 min":           r.Dropped-r.Charged > 8*time.Minute && r.Dropped-r.Charged < 13*time.Minute,
			"loss 14 to 20 %":             r.Loss() > 0.14 && r.Loss() < 0.20,
			"weighed out after the drop":  weighOut > r.Dropped-r.Charged+60*time.Second,
			"colour half an hour after":   colour >= r.Dropped-r.Charged+30*time.Minute,
			"clock time follows":          r.DroppedAt.Sub(r.ChargedAt) == r.Dropped-r.Charged,
		} {
			if !order {
				t.Errorf("%s: not so: %s: %+v", r.Sample, what, r)
			}
		}
	}
	if len(lots) != 9 {
		t.Errorf("got %d lots, want 9", len(lots))
	}

	calls := map[string]int{}
	ids := map[string]bool{}
	for _, m := range asked {
		calls[string(m.ProtoReflect().Descriptor().Name())]++
		id := m.(interface{ GetRequestId() string }).GetRequestId()
		if ids[id] || id == "" || len(id) > 64 {
			t.Errorf("request id %q is empty, too long or used twice", id)
		}
		ids[id] = true
	}
	want := map[string]int{
		"RegisterSampleRequest":  30,
		"QueueSampleRequest":     29,                         // one is forgotten
		"PlaceSampleRequest":     22 + 30 + 30 + 30 + 1,      // reception, in, out, colour, the ticket lost
		"RemoveSampleRequest":    22 + 22 + 30 + 30 + 30 + 1, // and from the moisture bench, where a scan placed them
		"SetMarkRequest":         60,
		"AssignReadingsRequest":  1,           // the forgotten
		"ActOnInstrumentRequest": 22 + 30 + 1, // densities, colours, a zero
		"AddNoteRequest":         4,
	}
	if !reflect.DeepEqual(calls, want) {
		t.Errorf("calls:\ngot  %v\nwant %v", calls, want)
	}
}

func TestSameSeedSameDay(t *testing.T) {
	a, _, _, _ := dayOf(t, 5, 20*time.Minute)
	b, _, _, _ := dayOf(t, 5, 20*time.Minute)
	if len(a) < 5 || len(a) != len(b) {
		t.Fatalf("got %d and %d roasts, want the same number, at least 5", len(a), len(b))
	}
	for i := range a {
		if !reflect.DeepEqual(a[i].Truth, b[i].Truth) {
			t.Errorf("roast %d differs:\n%+v\n%+v", i, a[i].Truth, b[i].Truth)
		}
	}
	c, _, _, _ := dayOf(t, 6, 20*time.Minute)
	if reflect.DeepEqual(a[0].Truth, c[0].Truth) {
		t.Error("two seeds gave the same first roast")
	}
}

// A hub that refuses costs the day what it refuses, and Work says so.
func TestRefusedCallsAreReported(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, err := start(t.Context(), Options{Seed: 1}, unwired)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Stop()
		h := &hub{refuse: func(method string) error {
			if method == pb.BenchService_SetMark_FullMethodName {
				return fmt.Errorf("no marks today")
			}
			return nil
		}}
		ctx, cancel := context.WithTimeout(t.Context(), l.Clock().Real(20*time.Minute))
		defer cancel()
		err = l.Work(ctx, h, func(string) {})
		if err == nil || !strings.Contains(err.Error(), "mark the roast in drum-1: no marks today") {
			t.Errorf("got %v", err)
		}
		if got := len(l.Roasts()); got < 5 {
			t.Errorf("got %d roasts, want the work to go on all the same", got)
		}
	})
}

// A demo of a minute shows a good part of the day, and ends without a fault.
func TestAnHourShowsAGoodPart(t *testing.T) {
	roasts, _, _, _ := dayOf(t, 1, time.Hour)
	dropped := 0
	for _, r := range roasts {
		if r.Dropped > 0 {
			dropped++
		}
	}
	if dropped < 12 {
		t.Errorf("an hour saw %d roasts end, want at least 12", dropped)
	}
}
