package hub

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/binary"
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/handover"
	"github.com/evenbench/evenbench/internal/imprint"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/normalize"
	"github.com/evenbench/evenbench/internal/seal"
	simdrum "github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// signedLab is a hub's record with a notary, and without drivers: what they would say is
// recorded at once.
type signedLab struct {
	t        testing.TB
	scribe   *scribe
	recorder *recorder
	service  *handoverService
	key      seal.Key
	dir      string
	end      func()
	requests int
}

var probeChannels = []*pb.Channel{
	{Name: "bean", Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", Role: "bean", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS},
	{Name: "drum_air", Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", Role: "drum_air", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS},
	{Name: "inlet_air", Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", Role: "inlet_air", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS},
}

var scaleChannel = &pb.Channel{
	Name: "mass", Quantity: "mass", Unit: "g", DeviceUnit: "g", High: proto.Float64(2000), Property: "batch_mass", Kind: pb.ChannelKind_CHANNEL_KIND_SPOT,
}

// openSigned opens a record in a folder with a key.
func openSigned(t testing.TB, dir string, key seal.Key) *signedLab {
	t.Helper()
	f := newFold()
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, HubVersion: "test", Clock: clock.Clock{}, Visit: f.visit})
	if err != nil {
		t.Fatal(err)
	}
	folded, owed, err := f.finish(t.Context(), l, zap.NewNop())
	if err != nil || len(owed) > 0 {
		t.Fatal(owed, err)
	}
	if folded.Last() == 0 {
		folded.Apply(&pb.Entry{Cursor: l.Last(), Body: &pb.Entry_RecordOpened{RecordOpened: l.Opened()}})
	}
	s := &scribe{ledger: l, book: folded, tally: f.tally}
	n := newNotary(f.proofs, s, key, zap.NewNop())
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		n.run(ctx)
	}()
	lab := &signedLab{
		t: t, dir: dir, scribe: s, key: key, service: &handoverService{notary: n, making: make(chan struct{}, 1)},
		recorder: newRecorder(s, zap.NewNop(), func(instrument string) []normalize.Channel {
			if instrument == "scale" {
				return []normalize.Channel{{Channel: scaleChannel, Uncertainty: 0.05}}
			}
			var list []normalize.Channel
			for _, c := range probeChannels {
				list = append(list, normalize.Channel{Channel: c, Uncertainty: 0.5})
			}
			return list
		}, nobodyStates),
	}
	lab.end = func() {
		cancel()
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		<-done
		lab.end = func() {}
	}
	t.Cleanup(func() { lab.end() })
	return lab
}

func newSignedLab(t testing.TB) *signedLab {
	t.Helper()
	key, err := seal.NewKey(rand.Reader, "test-lab")
	if err != nil {
		t.Fatal(err)
	}
	lab := openSigned(t, t.TempDir(), key)
	lab.enter(&pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{LabName: "test lab", Stations: []*pb.Station{
		{Name: "reception", Kind: pb.StationKind_STATION_KIND_BENCH}, {Name: "drum-1", Kind: pb.StationKind_STATION_KIND_DRUM},
	}, Criteria: []*pb.Criteria{{Name: "house", Digest: "01", AcceptedRisk: 0.05, Windows: []*pb.Window{
		{Finding: "total_time", Unit: "s", Low: proto.Float64(500), High: proto.Float64(800), Source: "house rule"},
	}}}}}})
	return lab
}

func (lab *signedLab) enter(e *pb.Entry) {
	lab.t.Helper()
	if err := lab.scribe.record(context.Background(), e); err != nil {
		lab.t.Fatal(err)
	}
}

func (lab *signedLab) id() string {
	lab.requests++
	return fmt.Sprintf("%s-%d", lab.t.Name(), lab.requests)
}

func (lab *signedLab) register(code string) {
	lab.enter(&pb.Entry{Actor: "ana", Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{
		Sample: code, Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: "26-0117", Process: "washed", Origin: "a hill"},
	}}})
}

func (lab *signedLab) place(code string, at time.Time) {
	lab.enter(&pb.Entry{Actor: "ana", Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{
		Station: "reception", Sample: code, At: timestamppb.New(at), By: pb.PlacementMeans_PLACEMENT_MEANS_CALL,
	}}})
}

func (lab *signedLab) open(instrument, station string, at time.Time, channels ...*pb.Channel) {
	lab.t.Helper()
	if err := lab.recorder.OpenRun(lab.t.Context(), &pb.RunOpened{
		Instrument: instrument, Run: instrument + "-run", Station: station, Driver: "test", Sheet: instrument + "-sheet",
		DeviceIdentity: "SN 4711", OpenedAt: timestamppb.New(at), Channels: channels,
	}); err != nil {
		lab.t.Fatal(err)
	}
}

func (lab *signedLab) record(m *pb.ReadingBatch) {
	lab.t.Helper()
	if err := lab.recorder.Record(context.Background(), m, func(uint64) {}); err != nil {
		lab.t.Fatal(err)
	}
}

// weigh records one mass on the scale.
func (lab *signedLab) weigh(opened, at time.Time, number uint64, grams float64) {
	lab.record(&pb.ReadingBatch{
		Instrument: "scale", Run: "scale-run", FirstNumber: number, Count: 1, Start: timestamppb.New(at), StartElapsedUs: at.Sub(opened).Microseconds(),
		Series: []*pb.Series{{Channel: "mass", DeviceUnit: "g", Row: []uint32{0}, AfterUs: []int32{0}, DeviceValue: []float64{grams}, DeviceText: []string{fmt.Sprintf("%.2f", grams)}}},
	})
}

// roast records a roast of the sample that is next, as its probes show it so many times a
// second, each scan in a batch of its own, as from a driver that nothing holds up.
func (lab *signedLab) roast(opened time.Time, first uint64, hertz int, grams float64) {
	every := time.Second / time.Duration(hertz)
	r := simdrum.Record(simdrum.Plan{
		Seed: 7, Character: simdrum.Nominal, Every: every, Preheat: 90 * time.Second,
		Charges: []simdrum.Charge{{Grams: grams, Moisture: 0.11}},
	})
	const a = 1 // scans in a batch
	for i := 0; i < len(r.Bean); i += a {
		elapsed := time.Duration(i) * every
		m := &pb.ReadingBatch{
			Instrument: "probes", Run: "probes-run", FirstNumber: first, Start: timestamppb.New(opened.Add(elapsed)), StartElapsedUs: elapsed.Microseconds(),
		}
		for k, values := range [][]float64{r.Bean, r.DrumAir, r.InletAir} {
			s := &pb.Series{Channel: probeChannels[k].GetName(), DeviceUnit: "Cel"}
			for j := i; j < min(i+a, len(r.Bean)); j++ {
				s.Row = append(s.Row, uint32((j-i)*3+k))
				s.AfterUs = append(s.AfterUs, int32((time.Duration(j-i) * every).Microseconds()))
				s.DeviceValue = append(s.DeviceValue, values[j])
				s.DeviceText = append(s.DeviceText, fmt.Sprintf("%.1f", values[j]))
			}
			m.Series = append(m.Series, s)
			m.Count += uint32(len(s.GetRow()))
		}
		first += uint64(m.GetCount())
		lab.record(m)
	}
}

// day records a sample that is weighed, roasted and weighed again, and another one that is
// put in its place.
func (lab *signedLab) day(hertz int, grams float64) {
	opened := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	lab.open("scale", "reception", opened, scaleChannel)
	lab.open("probes", "drum-1", opened, probeChannels...)
	lab.register("EB4102")
	lab.register("EB4103")
	lab.place("EB4102", opened.Add(time.Second))
	lab.weigh(opened, opened.Add(5*time.Second), 1, 150.02)
	lab.place("EB4103", opened.Add(8*time.Second))
	lab.weigh(opened, opened.Add(9*time.Second), 2, 149.7)
	lab.enter(&pb.Entry{Actor: "ana", Body: &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{Station: "drum-1", Sample: "EB4102", Position: 1}}})
	lab.roast(opened.Add(20*time.Second), 1, hertz, grams)
	after := opened.Add(30 * time.Minute)
	lab.place("EB4102", after)
	lab.weigh(opened, after.Add(5*time.Second), 3, 128.31)
	lab.enter(&pb.Entry{Actor: "ana", Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Sample: "EB4102", Text: "even"}}})
}

func (lab *signedLab) bundle(samples ...string) []byte {
	lab.t.Helper()
	b, err := lab.service.bundle(lab.t.Context(), &pb.MakeBundleRequest{Samples: samples})
	if err != nil {
		lab.t.Fatal(err)
	}
	return b
}

func (lab *signedLab) keys() []note.Verifier {
	lab.t.Helper()
	v, err := seal.ParsePublic(lab.key.Public)
	if err != nil {
		lab.t.Fatal(err)
	}
	return []note.Verifier{v}
}

func (lab *signedLab) sample(code string) *pb.SampleRecord {
	lab.t.Helper()
	var r *pb.SampleRecord
	if err := lab.scribe.read(lab.t.Context(), func(b *book.Book) { r, _ = b.Record(code) }); err != nil {
		lab.t.Fatal(err)
	}
	return r
}

// P5, P6: what a bundle's entries come to is the record of the sample as the hub has it, to
// the last byte, with nothing of the other sample but its code; it is small, and holds.
func TestP6_BundleComesToTheSampleRecord(t *testing.T) {
	lab := newSignedLab(t)
	lab.day(10, 210)
	b := lab.bundle("EB4102")
	began := time.Now()
	c, err := handover.Open(b, lab.keys())
	took := time.Since(began)
	if err != nil {
		t.Fatal(err)
	}
	want := lab.sample("EB4102")
	roast := want.GetRoasts()[0]
	t.Logf("a roast of %.1f min: %d of %d entries, %d bytes, opened in %v", finding(roast, "total_time").GetValue()/60, len(c.Entries), lab.scribe.ledger.Last(), len(b), took)
	if len(c.Samples) != 1 || !proto.Equal(c.Samples[0], want) {
		t.Errorf("the bundle comes to\n%v\nand the hub has\n%v", c.Samples, want)
	}
	if len(b) > 300_000 {
		t.Errorf("it has %d bytes", len(b))
	}
	if roast.GetState() != pb.RoastState_ROAST_STATE_DROPPED || len(roast.GetFindings()) < 4 || len(roast.GetVerdicts()) != 1 || len(want.GetMeasurements()) != 2 {
		t.Errorf("the day was not what it is meant to be: %v", want)
	}
	if c.Opened.GetRecordId() != lab.scribe.ledger.RecordID() || c.Lab.GetLabName() != "test lab" || c.Checkpoint.Origin != "evenbench/"+lab.scribe.ledger.RecordID() || fmt.Sprint(c.SignedBy) != "[test-lab]" {
		t.Errorf("%v, %v, %v, %v", c.Opened, c.Lab, c.Checkpoint, c.SignedBy)
	}
	kinds := c.Kinds()
	for _, kind := range []string{"record_opened", "lab_loaded", "run_opened", "readings", "sample_registered", "sample_placed", "measurement_taken", "roast_opened", "mark_set", "roast_closed", "finding_made", "verdict_given", "note_added"} {
		if kinds[kind] == 0 {
			t.Errorf("there is no %s in it", kind)
		}
	}
	if bytes.Contains(b, []byte("PRIVATE")) {
		t.Error("the lab's private key is in it")
	}
}

func finding(r *pb.Roast, name string) *pb.Finding {
	for _, f := range r.GetFindings() {
		if f.GetName() == name {
			return f
		}
	}
	return nil
}

var everyByte = flag.Int("every", 997, "change each byte of a bundle whose place is a multiple of this `number`")

// P5: whatever byte of a hub's bundle is changed, it is refused, and so is one that breaks
// off, and one under another lab's key.
func TestP5_ChangedBundleOfAHubIsRefused(t *testing.T) {
	lab := newSignedLab(t)
	lab.day(1, 150)
	b := lab.bundle("EB4102", "EB4103")
	if c, err := handover.Open(b, lab.keys()); err != nil || len(c.Samples) != 2 || !proto.Equal(c.Samples[1], lab.sample("EB4103")) {
		t.Fatal(err)
	}
	for at := 0; at < len(b); at += *everyByte {
		changed := bytes.Clone(b)
		changed[at] ^= 0x10
		if _, err := handover.Open(changed, lab.keys()); err == nil {
			t.Fatalf("byte %d of %d was changed, and it holds", at, len(b))
		}
		if _, err := handover.Open(b[:at], lab.keys()); err == nil {
			t.Fatalf("it breaks off at byte %d of %d, and holds", at, len(b))
		}
	}
	stranger, err := seal.NewKey(rand.Reader, "test-lab")
	if err != nil {
		t.Fatal(err)
	}
	lab.key = stranger
	if _, err := handover.Open(b, lab.keys()); err == nil || !strings.Contains(err.Error(), "a key that was not given") {
		t.Errorf("under another lab's key: %v", err)
	}
}

// The tree is the same after the hub has ended, however it did; the record that goes on
// still begins with what was signed before; and a witness's signature is on a bundle that
// asks for it.
func TestSignedRecordGoesOnAfterItsHub(t *testing.T) {
	lab := newSignedLab(t)
	lab.day(1, 150)
	signedBy := func(lab *signedLab) *pb.CheckpointSigned {
		t.Helper()
		r, err := lab.service.SignCheckpoint(t.Context(), &pb.SignCheckpointRequest{RequestId: lab.id(), Person: "ana"})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetCheckpoint()
	}
	before := signedBy(lab)
	dir := lab.dir
	lab.end()

	next := openSigned(t, dir, lab.key)
	if got, _ := next.service.GetCheckpoint(t.Context(), nil); !proto.Equal(got.GetCheckpoint(), before) || got.GetKey() != lab.key.Public {
		t.Errorf("after the hub: %v, before it %v", got, before)
	}
	next.enter(&pb.Entry{Actor: "ana", Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Sample: "EB4102", Text: "later"}}})
	if again := signedBy(next); !proto.Equal(again, before) { // it has the id of the first one
		t.Errorf("a call that was repeated is answered with %v, and was with %v", again, before)
	}
	after := signedBy(next)
	older, _, err := seal.Open(before.GetNote(), lab.keys())
	if err != nil {
		t.Fatal(err)
	}
	newer, _, err := seal.Open(after.GetNote(), lab.keys())
	if err != nil {
		t.Fatal(err)
	}
	growth, err := next.service.ProveGrowth(t.Context(), &pb.ProveGrowthRequest{From: before.GetSize(), To: after.GetSize()})
	if err != nil {
		t.Fatal(err)
	}
	var proof tlog.TreeProof
	for _, h := range growth.GetProof() {
		proof = append(proof, tlog.Hash(h))
	}
	if err := seal.CheckGrowth(older, newer, proof); err != nil {
		t.Error(err)
	}

	ask := &pb.MakeBundleRequest{Samples: []string{"EB4102"}, Witness: "buyer"}
	if _, err := next.service.bundle(t.Context(), ask); err == nil || !strings.Contains(err.Error(), `"buyer" has signed nothing`) {
		t.Errorf("without a witness: %v", err)
	}
	buyer, err := seal.NewKey(rand.Reader, "buyer")
	if err != nil {
		t.Fatal(err)
	}
	cosign := func(text string) error {
		_, err := next.service.CosignCheckpoint(t.Context(), &pb.CosignCheckpointRequest{RequestId: next.id(), Person: "ana", Note: text, Key: buyer.Public})
		return err
	}
	both, err := seal.Cosign(after.GetNote(), lab.keys(), buyer)
	if err != nil {
		t.Fatal(err)
	}
	if err := cosign(both); err != nil {
		t.Fatal(err)
	}
	if err := cosign(after.GetNote()); err == nil {
		t.Error("a checkpoint without the witness's signature was taken")
	}
	forged, err := seal.Sign(seal.Checkpoint{Origin: newer.Origin, Size: newer.Size, Root: older.Root}, lab.key, buyer)
	if err != nil {
		t.Fatal(err)
	}
	if err := cosign(forged); err == nil || !strings.Contains(err.Error(), "its root is not that") {
		t.Errorf("another root: %v", err)
	}
	if err := next.service.notary.await(t.Context(), next.scribe.ledger.Last()); err != nil {
		t.Fatal(err)
	}
	b, err := next.service.bundle(t.Context(), ask)
	if err != nil {
		t.Fatal(err)
	}
	v, err := seal.ParsePublic(buyer.Public)
	if err != nil {
		t.Fatal(err)
	}
	if c, err := handover.Open(b, append(lab.keys(), v)); err != nil || fmt.Sprint(c.SignedBy) != "[test-lab buyer]" {
		t.Errorf("%v, %v", c, err)
	}
}

// BenchmarkProofsAreReadBack reads the tree and the checkpoints of a record of a million
// entries as a start from a checkpoint does.
func BenchmarkProofsAreReadBack(b *testing.B) {
	p := newProofs()
	for i := range uint64(1_000_000) {
		if err := p.add(ledger.Stored{Cursor: i + 1, Bytes: binary.AppendUvarint(nil, i), Kind: kindReadings}); err != nil {
			b.Fatal(err)
		}
	}
	var written bytes.Buffer
	c := imprint.Write(&written)
	p.imprint(c)
	if err := c.End(); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(written.Len()), "bytes")
	for b.Loop() {
		newProofs().imprint(imprint.Read(written.Bytes()))
	}
}

// BenchmarkOpenBundle verifies and folds the bundle of a roast at 10 Hz.
func BenchmarkOpenBundle(b *testing.B) {
	lab := newSignedLab(b)
	lab.day(10, 210)
	file, keys := lab.bundle("EB4102"), lab.keys()
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		if _, err := handover.Open(file, keys); err != nil {
			b.Fatal(err)
		}
	}
}
