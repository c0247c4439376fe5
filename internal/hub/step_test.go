package hub

import (
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The clock is stepped back while the hub runs and no instrument says anything: a sample
// is placed at the time that the clock shows, and not at the end of the stay before.
func TestP9_PlaceSampleAfterAStepBack(t *testing.T) {
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	s := &scribe{clock: clock.Start(time.Now(), 1), ledger: l, book: book.New(), tally: newTally()}
	s.book.Apply(&pb.Entry{Cursor: 1, Body: &pb.Entry_RecordOpened{RecordOpened: l.Opened()}})
	s.note(&pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{Stations: []*pb.Station{{Name: "reception", Kind: pb.StationKind_STATION_KIND_BENCH}}}}})
	desk := &benchService{scribe: s}
	for _, code := range []string{"A-1", "B-2"} {
		if _, err := desk.RegisterSample(t.Context(), &pb.RegisterSampleRequest{
			RequestId: "register " + code, Person: "ana", Sample: code, Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: "26-01"},
		}); err != nil {
			t.Fatal(err)
		}
	}
	place := func(code string) time.Time {
		t.Helper()
		if _, err := desk.PlaceSample(t.Context(), &pb.PlaceSampleRequest{RequestId: "place " + code, Person: "ana", Station: "reception", Sample: code}); err != nil {
			t.Fatal(err)
		}
		r, _ := s.book.Record(code)
		return r.GetPlacements()[0].GetFrom().AsTime()
	}
	place("A-1")
	s.clock = clock.Start(time.Now().Add(-time.Hour), 1)
	if at := place("B-2"); at.After(s.clock.Now()) {
		t.Errorf("B-2 was placed at %v, and it is %v", at, s.clock.Now())
	}
}
