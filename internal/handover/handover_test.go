package handover_test

import (
	"crypto/sha256"
	"errors"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/handover"
	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// signed writes a bundle of entries that a lab has signed. Said, if not nil, are what it has
// in their place, under the hashes of those that were signed.
func signed(t testing.TB, entries []*pb.Entry, said func(i int, e *pb.Entry)) ([]byte, []note.Verifier) {
	t.Helper()
	key, err := seal.NewKey(strings.NewReader(strings.Repeat("k", 32)), "lab")
	if err != nil {
		t.Fatal(err)
	}
	v, err := seal.ParsePublic(key.Public)
	if err != nil {
		t.Fatal(err)
	}
	var tree seal.Tree
	var hashes [][sha256.Size]byte
	var stored, changed []seal.Entry
	previous := make([]byte, sha256.Size)
	for i, e := range entries {
		e.Cursor, e.PreviousHash = uint64(i+1), previous
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		hash := sha256.Sum256(b)
		stored, hashes, previous = append(stored, seal.Entry{Cursor: e.Cursor, Bytes: b}), append(hashes, hash), hash[:]
		tree.Append(hash)
		if said != nil {
			e = proto.CloneOf(e)
			said(i, e)
			if b, err = (proto.MarshalOptions{Deterministic: true}).Marshal(e); err != nil {
				t.Fatal(err)
			}
		}
		changed = append(changed, seal.Entry{Cursor: uint64(i + 1), Bytes: b})
	}
	prover := tree.Prover(func(first uint64, n int) ([][sha256.Size]byte, error) { return hashes[first-1:][:n], nil })
	c, err := tree.Checkpoint("record")
	if err != nil {
		t.Fatal(err)
	}
	text, err := seal.Sign(c, key)
	if err != nil {
		t.Fatal(err)
	}
	b, err := prover.Bundle(text, []note.Verifier{v}, stored)
	if err == nil && said != nil {
		b, err = seal.Rewrite(b, changed)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b, []note.Verifier{v}
}

func story() []*pb.Entry {
	at := timestamppb.New(time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC))
	list := []*pb.Entry{
		{Body: &pb.Entry_RecordOpened{RecordOpened: &pb.RecordOpened{RecordId: "r", ClockRate: 1}}},
		{Body: &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{LabName: "lab", Stations: []*pb.Station{{Name: "bench", Kind: pb.StationKind_STATION_KIND_BENCH}}}}},
		{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: "meter", Run: "m-1", Station: "bench", OpenedAt: at, Channels: []*pb.Channel{{Name: "moist", Property: "moisture", Kind: pb.ChannelKind_CHANNEL_KIND_SPOT}}}}},
		{Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{Sample: "K-001", Identity: &pb.SampleIdentity{Lot: "26-0117"}}}},
		{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{Station: "bench", Sample: "K-001", At: at}}},
		{Body: &pb.Entry_MeasurementTaken{MeasurementTaken: &pb.MeasurementTaken{Sample: "K-001", Measurement: &pb.Measurement{
			Property: "moisture", Value: 10.9, Unit: "%", Basis: "wet", At: at, Instrument: "meter", Run: "m-1", Number: 17, Channel: "moist", StandardUncertainty: proto.Float64(0.3)}}}},
		// Another sample, of which the bundle has nothing else, is put in its place.
		{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{Station: "bench", Sample: "K-002", At: at}}},
	}
	for _, e := range list {
		e.RecordedAt, e.Actor = at, "ana"
	}
	return list
}

func TestBundleIsFolded(t *testing.T) {
	b, keys := signed(t, story(), nil)
	c, err := handover.Open(b, keys)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Samples) != 1 || c.Samples[0].GetMeasurements()[0].GetValue() != 10.9 || c.Samples[0].GetIdentity().GetLot() != "26-0117" || c.Samples[0].GetPlacements()[0].GetTo() == nil {
		t.Errorf("%v", c.Samples)
	}
}

// P5: a digit that somebody has changed is named by its entry and its field, with what it was.
func TestP5_ChangedDigitIsNamedByItsField(t *testing.T) {
	for _, c := range []struct {
		says   string
		change func(i int, e *pb.Entry)
	}{
		{"entry 6: measurement_taken.measurement.value was changed: it says 11.9, and 10.9 was signed", func(i int, e *pb.Entry) {
			if i == 5 {
				e.GetMeasurementTaken().Measurement.Value = 11.9
			}
		}},
		{"entry 6: measurement_taken.measurement.number was changed: it says 18, and 17 was signed", func(i int, e *pb.Entry) {
			if i == 5 {
				e.GetMeasurementTaken().Measurement.Number = 18
			}
		}},
		{`entry 4: sample_registered.identity.lot was changed: it says "26-0717", and 26-0117 was signed`, func(i int, e *pb.Entry) {
			if i == 3 {
				e.GetSampleRegistered().Identity.Lot = "26-0717"
			}
		}},
		{"entry 4: it is damaged", func(i int, e *pb.Entry) { // two digits are more than is looked for
			if i == 3 {
				e.GetSampleRegistered().Identity.Lot = "26-0722"
			}
		}},
	} {
		b, keys := signed(t, story(), c.change)
		_, err := handover.Open(b, keys)
		var a *seal.Altered
		if !errors.As(err, &a) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
}

// Entries that are signed and make no sense end the reading, and not the program.
func TestSignedNonsenseIsRefused(t *testing.T) {
	b, keys := signed(t, []*pb.Entry{{Body: &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{Roast: "R-1"}}}, {}}, nil)
	if c, err := handover.Open(b, keys); err != nil || len(c.Samples) != 0 {
		t.Errorf("%v, %v", c, err)
	}
}
