package board

import (
	"context"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// progress follows the roasts that are going on: their rate of rise, and when the hub
// expects their next marks.
func (w *watch) progress(ctx context.Context, b *bench) error {
	stream, err := pb.NewRecordServiceClient(w.conn).WatchRoasts(ctx, &pb.WatchRoastsRequest{})
	if err != nil {
		return err
	}
	for {
		m, err := stream.Recv()
		if status.Code(err) == codes.Unimplemented {
			<-ctx.Done() // an older hub foretells nothing
			return ctx.Err()
		}
		if err != nil {
			return err
		}
		w.change(func() {
			for _, p := range m.GetRoasts() {
				b.progress(p)
			}
		})
	}
}

func (b *bench) progress(p *pb.RoastProgress) {
	d := b.drums[p.GetStation()]
	if st := b.station(p.GetStation()); d == nil || st.GetRoast() != "" && st.GetRoast() != p.GetRoast() {
		return // what lies where is told by ListStations, and comes a moment later
	}
	if d.roast == nil || d.roast.id != p.GetRoast() {
		d.roast = newRoast(p.GetRoast(), p.GetSample(), p.GetStation(), p.GetChargedAt().AsTime())
	}
	r := d.roast
	r.sample, r.charged, r.remarks, r.standings = p.GetSample(), p.GetChargedAt().AsTime(), p.GetRemarks(), p.GetStandings()
	at := func(s float64) time.Time { return r.charged.Add(time.Duration(s * float64(time.Second))) }
	if p.RateOfRise != nil {
		d.latest[roleRate] = reading{at: at(p.GetReadS()), value: p.GetRateOfRise(), quality: pb.Quality_QUALITY_GOOD}
	}
	r.expected = nil
	for _, e := range p.GetExpected() {
		if e.LikelyS != nil {
			r.expected = append(r.expected, expected{
				kind: e.GetKind(), earliest: at(e.GetEarliestS()), likely: at(e.GetLikelyS()), latest: at(e.GetLatestS()), roasts: e.GetRoasts(),
			})
		}
	}
}
