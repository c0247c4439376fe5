package simlab

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/simlab/cable"
	"github.com/evenbench/evenbench/internal/simlab/device"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// hub stands for the real one only where a test is about the lab: it hears the
// instruments, shows what they said of the sample that was placed there, and remembers
// what it was asked. With it a day can pass on a clock of its own (synctest).
type hub struct {
	lab *Lab
	// slow is the longest time that an answer takes; blind: it finds no charge and no drop.
	slow   time.Duration
	blind  bool
	refuse func(method string) error

	mu       sync.Mutex
	chance   *rand.Rand
	asked    []proto.Message     // what writes
	on       map[string]string   // station: sample
	way      map[string][]string // sample: stations
	shown    map[string][]string // sample: what was measured of it
	measured map[string][]*pb.Measurement
	moved    map[string]bool   // scale
	roasts   map[string]string // station: roast going on
	ends     map[string]*wire  // instrument: our end of its cable
}

func newHub() *hub {
	return &hub{
		chance: rand.New(rand.NewPCG(1, 2)),
		on:     map[string]string{}, way: map[string][]string{}, shown: map[string][]string{},
		measured: map[string][]*pb.Measurement{}, moved: map[string]bool{}, roasts: map[string]string{}, ends: map[string]*wire{},
	}
}

// wire is a cable from an instrument to the hub.
type wire struct {
	hub     *hub
	name    string
	station string
	serve   cable.Serve
	mu      sync.Mutex
	out     bool
}

func (w *wire) Link() string { return "{tcp: 127.0.0.1:1}" }
func (w *wire) Unplug()      { w.plug(true) }
func (w *wire) Plug() error  { w.plug(false); return nil }
func (w *wire) Close()       {}

func (w *wire) plug(out bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.out = out
}

func (w *wire) Say(text []byte) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.out {
		w.hub.hear(w, string(text))
	}
}

// command sends a command to the instrument and returns its answer.
func (w *wire) command(text string) string {
	var answer bytes.Buffer
	w.serve(struct {
		io.Reader
		io.Writer
	}{strings.NewReader(text), &answer})
	return answer.String()
}

// wiring are cables in the order in which the lab opens them.
func (h *hub) wiring() wiring {
	order := []struct{ name, station string }{
		{"reception-scale", "reception"}, {"bench-scanner", moistureBench}, {"moisture-meter", moistureBench},
		{"drum-1-probes", "drum-1"}, {"drum-2-probes", "drum-2"}, {"drum-3-probes", "drum-3"}, {"drum-4-probes", "drum-4"},
		{"colour-meter", "colour-bench"}, {"room-climate", "room"},
	}
	open := func(name, station string, serve cable.Serve) (cable.Cable, error) {
		w := &wire{hub: h, name: name, station: station, serve: serve}
		h.ends[name] = w
		return w, nil
	}
	var network device.Wire = func(serve cable.Serve) (cable.Cable, error) {
		next := order[0]
		order = order[1:]
		return open(next.name, next.station, serve)
	}
	return wiring{network: network, serial: func(serve cable.Serve) (cable.Cable, error) {
		return open("batch-scale", "weigh-out", serve)
	}}
}

var (
	massLine     = regexp.MustCompile(`^(STEADY|MOVING) \+ *([.0-9]+) g`)
	moistureLine = regexp.MustCompile(`MOISTURE +([.0-9]+) %`)
	colourLine   = regexp.MustCompile(`^([WG]) ([.0-9]+)`)
)

// hear takes what an instrument says.
func (h *hub) hear(w *wire, text string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case strings.HasSuffix(w.name, "-scale"):
		if m := massLine.FindStringSubmatch(text); m != nil {
			h.weigh(w, m[1] == "STEADY", m[2])
		}
	case w.name == "moisture-meter":
		h.measure(w.station, "moisture", moistureLine.FindStringSubmatch(text)[1])
	case w.name == "colour-meter":
		if m := colourLine.FindStringSubmatch(text); m != nil {
			h.measure(w.station, m[1], m[2])
		}
	case w.name == "bench-scanner" && strings.HasPrefix(text, "EB"):
		h.place(w.station, strings.TrimSpace(text))
	}
}

// weigh takes the first steady mass after a movement or an empty pan.
func (h *hub) weigh(w *wire, steady bool, text string) {
	grams, _ := strconv.ParseFloat(text, 64)
	switch {
	case !steady, grams < 30:
		h.moved[w.name] = true
	case h.moved[w.name]:
		h.moved[w.name] = false
		h.measure(w.station, "mass", text)
	}
}

func (h *hub) measure(station, property, text string) {
	s := h.on[station]
	h.shown[s] = append(h.shown[s], station+" "+property+" "+text)
	h.measured[s] = append(h.measured[s], &pb.Measurement{Station: station})
}

func (h *hub) place(station, s string) {
	h.on[station] = s
	h.way[s] = append(h.way[s], station)
}

func (h *hub) Invoke(ctx context.Context, method string, in, out any, _ ...grpc.CallOption) error {
	if h.slow > 0 {
		h.mu.Lock()
		long := time.Duration(h.chance.Int64N(int64(h.slow)))
		h.mu.Unlock()
		if !sleep(ctx, long) {
			return status.FromContextError(ctx.Err()).Err()
		}
	}
	switch out := out.(type) {
	case *pb.ListInstrumentsResponse:
		out.Instruments = []*pb.InstrumentStatus{{State: pb.InstrumentState_INSTRUMENT_STATE_MEASURING}}
		return nil
	case *pb.ListStationsResponse:
		out.Stations = h.stations()
		return nil
	case *pb.GetTraceResponse:
		out.Roast = &pb.Roast{State: pb.RoastState_ROAST_STATE_DROPPED}
		return nil
	case *pb.GetSampleResponse:
		h.mu.Lock()
		defer h.mu.Unlock()
		out.Record = &pb.SampleRecord{Measurements: h.measured[in.(*pb.GetSampleRequest).GetSample()]}
		return nil
	}
	return h.write(method, in.(proto.Message))
}

func (h *hub) write(method string, in proto.Message) error {
	h.mu.Lock()
	h.asked = append(h.asked, proto.Clone(in))
	if h.refuse != nil {
		if err := h.refuse(method); err != nil {
			h.mu.Unlock()
			return err
		}
	}
	ask, command := (*wire)(nil), ""
	var err error
	switch m := in.(type) {
	case *pb.PlaceSampleRequest:
		h.place(m.GetStation(), m.GetSample())
	case *pb.RemoveSampleRequest:
		delete(h.on, m.GetStation())
	case *pb.SetMarkRequest:
		err = h.mark(m)
	case *pb.ActOnInstrumentRequest:
		switch ask = h.ends[m.GetInstrument()]; m.GetAction() {
		case pb.Action_ACTION_ZERO:
			command = "Z\r\n"
		case pb.Action_ACTION_MEASURE:
			command = "M\r\n"
		default:
			h.measure(moistureBench, m.GetChannel(), m.GetText())
		}
	}
	h.mu.Unlock()
	if command != "" && strings.Contains(ask.command(command), "BUSY") {
		return status.Error(codes.FailedPrecondition, "busy")
	}
	return err
}

// roastIn names the roast in a drum.
func roastIn(station string) string { return "R in " + station }

// mark takes marks only of roasts that it shows.
func (h *hub) mark(m *pb.SetMarkRequest) error {
	switch {
	case m.GetKind() == pb.MarkKind_MARK_KIND_CHARGE:
		h.roasts[m.GetStation()] = roastIn(m.GetStation())
	case m.GetRoast() == "" && h.roasts[m.GetStation()] == "":
		return status.Error(codes.FailedPrecondition, "no roast goes on there")
	case m.GetKind() == pb.MarkKind_MARK_KIND_DROP:
		delete(h.roasts, strings.TrimPrefix(m.GetRoast(), roastIn("")))
	}
	return nil
}

// stations shows what lies where; unless it is blind it sees what goes on in a drum.
func (h *hub) stations() (list []*pb.StationStatus) {
	charged := map[string]bool{}
	h.lab.bench.touch(func() {
		for _, r := range h.lab.roasters {
			charged[r.station] = r.drum.Charged()
		}
	})
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, name := range []string{moistureBench, "drum-1", "drum-2", "drum-3", "drum-4"} {
		s := &pb.StationStatus{Station: &pb.Station{Name: name}, Sample: h.on[name], Roast: h.roasts[name]}
		if !h.blind && charged[name] {
			s.Roast = roastIn(name)
		}
		list = append(list, s)
	}
	return list
}

func (h *hub) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, io.ErrUnexpectedEOF
}

// past is what happened on a day.
type past struct {
	roasts  []Roast
	samples []Sample
	lines   []string
	end     time.Time // on the lab's clock
	hub     *hub
}

// dayOf lets as much of a day pass with a hub as long says, in lab time, and returns what
// happened.
func dayOf(t *testing.T, o Options, h *hub, long time.Duration) (p past, err error) {
	t.Helper()
	p.hub = h
	synctest.Test(t, func(t *testing.T) {
		l, failed := start(t.Context(), o, h.wiring())
		if failed != nil {
			t.Fatal(failed)
		}
		defer l.Stop()
		h.lab = l
		ctx, cancel := context.WithTimeout(t.Context(), l.Clock().Real(long))
		defer cancel()
		err = l.Work(ctx, h, func(s string) { p.lines = append(p.lines, s) })
		p.roasts, p.samples, p.end = l.Roasts(), l.Samples(), l.Clock().Now()
	})
	return p, err
}

// calls counts what a hub was asked, and checks that no request id came twice.
func (h *hub) calls(t *testing.T) map[string]int {
	t.Helper()
	calls, ids := map[string]int{}, map[string]bool{}
	for _, m := range h.asked {
		calls[string(m.ProtoReflect().Descriptor().Name())]++
		id := m.(interface{ GetRequestId() string }).GetRequestId()
		if ids[id] || id == "" || len(id) > 64 {
			t.Errorf("request id %q is empty, too long or used twice", id)
		}
		ids[id] = true
	}
	return calls
}
