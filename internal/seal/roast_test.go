package seal_test

import (
	"crypto/sha256"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// roastRecord is a record of which the last entries are a roast of 12 minutes whose bean
// probe was read ten times a second and recorded four times a second, after many others.
func roastRecord(t testing.TB) (*record, []seal.Entry) {
	t.Helper()
	const before = 20_000
	record := &record{}
	for i := range uint64(before) {
		record.Append([32]byte{byte(i), byte(i >> 8), byte(i >> 16)})
	}
	r := rand.New(rand.NewPCG(12, 10))
	start := time.Date(2026, 11, 26, 8, 0, 0, 0, time.UTC)
	var roast []seal.Entry
	previous := make([]byte, sha256.Size)
	number := uint64(1)
	for batch := 0; number <= 12*60*10; batch++ {
		elapsed := time.Duration(batch)*100*time.Millisecond + time.Duration(r.IntN(200))*time.Microsecond
		at := start.Add(elapsed + time.Duration(r.IntN(1000)))
		series := &pb.Series{Channel: "bean", Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", StandardUncertainty: []float64{0.5}, DeviceDecimals: proto.Uint32(2)}
		first := number
		seconds := float64(batch) / 10
		cel := 200 - 120*math.Exp(-(seconds-60)*(seconds-60)/4000) + 0.03*r.NormFloat64()
		series.Row, series.AfterUs, series.Value = []uint32{0}, []int32{0}, []float64{math.Round(cel*100) / 100}
		number++
		entry := &pb.Entry{
			Cursor: uint64(before + batch + 1), PreviousHash: previous, RecordedAt: timestamppb.New(at.Add(2*time.Millisecond + time.Duration(r.IntN(1e6)))), Actor: "driver",
			Body: &pb.Entry_Readings{Readings: &pb.ReadingBatch{
				Instrument: "drum-2-probes", Run: "drum-2-probes/01JC0FZ3M8", FirstNumber: first, Count: uint32(number - first),
				Start: timestamppb.New(at), StartElapsedUs: elapsed.Microseconds(), ReceivedAt: timestamppb.New(at.Add(time.Millisecond + time.Duration(r.IntN(1e6)))),
				Series: []*pb.Series{series}, Bindings: []*pb.Binding{{LastRow: uint32(number - first - 1), Sample: "EB4102", Roast: "R-0002"}},
			}},
		}
		text, err := proto.Marshal(entry)
		if err != nil {
			t.Fatal(err)
		}
		hash := sha256.Sum256(text)
		record.Append(hash)
		previous = hash[:]
		roast = append(roast, seal.Entry{Cursor: entry.Cursor, Bytes: text})
	}
	return record, roast
}

func roastBundle(t testing.TB) ([]byte, []note.Verifier, int) {
	t.Helper()
	record, roast := roastRecord(t)
	signer, verifier := key(t, "lab.example")
	keys := []note.Verifier{verifier}
	c, err := record.at("record 4711", record.Size())
	if err != nil {
		t.Fatal(err)
	}
	signed, err := seal.Sign(c, signer)
	if err != nil {
		t.Fatal(err)
	}
	b, err := record.prover().Bundle(signed, keys, roast)
	if err != nil {
		t.Fatal(err)
	}
	plain := 0
	for _, e := range roast {
		plain += len(e.Bytes)
	}
	t.Logf("%d entries of %d bytes make a bundle of %d bytes", len(roast), plain, len(b))
	return b, keys, len(roast)
}

// A roast of 12 minutes at 10 Hz fits into an e-mail.
func TestBundleOfARoastIsSmall(t *testing.T) {
	b, keys, n := roastBundle(t)
	if len(b) > 300_000 {
		t.Errorf("it has %d bytes", len(b))
	}
	if o, err := seal.Verify(b, keys); err != nil || len(o.Entries) != n {
		t.Error(len(o.Entries), err)
	}
}

func BenchmarkVerifyRoast(b *testing.B) {
	bundle, keys, _ := roastBundle(b)
	b.SetBytes(int64(len(bundle)))
	for b.Loop() {
		if _, err := seal.Verify(bundle, keys); err != nil {
			b.Fatal(err)
		}
	}
}
