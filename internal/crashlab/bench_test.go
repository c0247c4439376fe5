package main

import (
	"context"
	"fmt"
	"net"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// labRate is how much faster than real time the roast goes: seconds for minutes,
// and slow enough that a loaded machine keeps up with two readings a lab second.
const labRate = 40

// lineEvery is how often the devices speak, in lab time.
const lineEvery = 500 * time.Millisecond

// wire is a device that says what it is given to whoever is connected, and waits for
// a slow reader.
type wire struct {
	listener net.Listener
	conn     chan net.Conn
	open     net.Conn
}

func newWire(t *testing.T) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{listener: l, conn: make(chan net.Conn, 1)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			select {
			case w.conn <- c:
			default: // a second connection: the driver was to stay
				c.Close()
			}
		}
	}()
	t.Cleanup(func() {
		l.Close()
		<-done
		if w.open != nil {
			w.open.Close()
		}
	})
	return w
}

// greet waits for the driver, and says the line that it passes over as it may have
// lost its beginning.
func (w *wire) greet(t *testing.T) {
	t.Helper()
	select {
	case w.open = <-w.conn:
	case <-time.After(30 * time.Second):
		t.Fatal("no driver has connected")
	}
	w.say(t, "BEGINNING")
}

func (w *wire) say(t *testing.T, line string) {
	t.Helper()
	if _, err := fmt.Fprintf(w.open, "%s\r\n", line); err != nil {
		t.Fatalf("say %q to the driver: %v", line, err)
	}
}

// lab is a hub with a drum and a scale, and the person who works there.
type lab struct {
	*hub
	t           *testing.T
	drum, scale *wire
	desk        pb.BenchServiceClient
	record      pb.RecordServiceClient
	requests    int
}

// newLab starts a lab and waits until its drivers are connected.
func newLab(t *testing.T, program string, begin time.Time) *lab {
	t.Helper()
	l := &lab{t: t, drum: newWire(t), scale: newWire(t)}
	var err error
	l.hub, err = newHub(program, t.TempDir(), "data", fmt.Sprintf(`stations: [{name: drum-1, kind: drum}, {name: weigh-out, kind: bench}]
instruments:
  - {name: probes, station: drum-1, sheet: thermocouple-reader, link: {tcp: %q}}
  - {name: scale, station: weigh-out, sheet: bench-scale, link: {tcp: %q}, channels: {mass: {property: batch_mass}}}
`, l.drum.listener.Addr(), l.scale.listener.Addr()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("log of the hub:\n%s", l.lastWords())
		}
		l.close()
	})
	l.clock = fmt.Sprintf("%d@%s", labRate, begin.UTC().Format(time.RFC3339))
	l.desk, l.record = pb.NewBenchServiceClient(l.conn), pb.NewRecordServiceClient(l.conn)
	l.serve()
	l.drum.greet(t)
	l.scale.greet(t)
	for len(l.drivers()) < 2 {
		if err := sleep(t.Context(), 5*time.Millisecond); err != nil {
			t.Fatal(err)
		}
	}
	return l
}

// serve starts a hub process and waits until it serves.
func (l *lab) serve() {
	l.t.Helper()
	ctx, cancel := context.WithTimeout(l.t.Context(), time.Minute)
	defer cancel()
	if err := l.start(); err != nil {
		l.t.Fatal(err)
	}
	if err := l.serving(ctx); err != nil {
		l.t.Fatal(err)
	}
}

// ask makes one call of the person's, with a request id of its own.
func ask[Q, R any](l *lab, call func(context.Context, *Q) (*R, error), request func(id string) *Q) *R {
	l.t.Helper()
	l.requests++
	r, err := call(l.t.Context(), request(fmt.Sprintf("request-%d", l.requests)))
	if err != nil {
		l.t.Fatal(err)
	}
	return r
}

// story is what happens at a bench, told in lines of its devices and what a person
// does between them: the same for every lab.
type story struct {
	drum, scale []string
	// acts are done before the line of their index.
	acts map[int]func(*lab)
	// Lines of the charge, the first crack and the drop.
	charge, crack, drop int
}

const sampleCode = "P-3"

// tellStory makes a story of one simulated roast: weighed in, queued, charged,
// dropped, weighed out.
func tellStory() *story {
	rec := drum.Record(drum.Plan{
		Seed: 5, Character: drum.Nominal, Every: lineEvery, Preheat: 2 * time.Minute,
		Charges: []drum.Charge{{Grams: 150, Moisture: 0.11}},
	})
	roast := rec.Roasts[0]
	index := func(at time.Duration) int { return int(at / lineEvery) }
	s := &story{charge: index(roast.Charged), crack: index(roast.FirstCrack), drop: index(roast.Dropped), acts: map[int]func(*lab){}}
	weighIn, weighOut := 40, s.drop+100
	for i := range rec.Bean {
		s.drum = append(s.drum, fmt.Sprintf("B=%.1fC A=%.1fC I=%.1fC", rec.Bean[i], rec.DrumAir[i], rec.InletAir[i]))
		switch {
		case i >= weighIn && i < weighIn+40:
			s.scale = append(s.scale, load(i-weighIn, 150))
		case i >= weighOut && i < weighOut+40:
			s.scale = append(s.scale, load(i-weighOut, roast.RoastedGrams))
		default:
			s.scale = append(s.scale, "STEADY +    0.00 g")
		}
	}
	s.acts[10] = func(l *lab) {
		ask(l, bare(l.desk.RegisterSample), func(id string) *pb.RegisterSampleRequest {
			return &pb.RegisterSampleRequest{RequestId: id, Person: "ana", Sample: sampleCode, Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER}}
		})
	}
	place := func(l *lab) {
		ask(l, bare(l.desk.PlaceSample), func(id string) *pb.PlaceSampleRequest {
			return &pb.PlaceSampleRequest{RequestId: id, Person: "ana", Station: "weigh-out", Sample: sampleCode}
		})
	}
	remove := func(l *lab) {
		ask(l, bare(l.desk.RemoveSample), func(id string) *pb.RemoveSampleRequest {
			return &pb.RemoveSampleRequest{RequestId: id, Person: "ana", Station: "weigh-out", Sample: sampleCode}
		})
	}
	s.acts[weighIn-10], s.acts[weighOut-10] = place, place
	s.acts[weighIn+60], s.acts[weighOut+60] = remove, remove
	s.acts[weighIn+80] = func(l *lab) {
		ask(l, bare(l.desk.QueueSample), func(id string) *pb.QueueSampleRequest {
			return &pb.QueueSampleRequest{RequestId: id, Person: "ana", Station: "drum-1", Sample: sampleCode}
		})
	}
	s.acts[s.crack] = func(l *lab) {
		ask(l, bare(l.desk.SetMark), func(id string) *pb.SetMarkRequest {
			return &pb.SetMarkRequest{RequestId: id, Person: "ana", Station: "drum-1", Kind: pb.MarkKind_MARK_KIND_FIRST_CRACK}
		})
	}
	return s
}

// load is a scale's display i half seconds after a load was put on.
func load(i int, grams float64) string {
	if i < 4 {
		return fmt.Sprintf("MOVING +%8.2f g", grams*float64(i)/4)
	}
	return fmt.Sprintf("STEADY +%8.2f g", grams)
}

// readRecordOf returns what the record of a lab holds; its hub must be gone.
func (l *lab) readRecordOf() (*pb.AuditRecordResponse, stored) {
	l.t.Helper()
	audit, bytes, err := readRecord(l.t.Context(), l.ledger())
	if err != nil {
		l.t.Fatal(err)
	}
	return audit, bytes
}
