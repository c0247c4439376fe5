package hub

import (
	"context"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/forecast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (s *recordService) WatchRoasts(r *pb.WatchRoastsRequest, stream grpc.ServerStreamingServer[pb.WatchRoastsResponse]) error {
	w := roastWatch{scribe: s.scribe, stations: r.GetStations(), going: map[string][]forecast.Past{}}
	if err := w.check(stream.Context()); err != nil {
		return err
	}
	ticker := time.NewTicker(watchEvery)
	defer ticker.Stop()
	for begun := false; ; begun = true {
		m, err := w.look(stream.Context())
		if err != nil {
			return ended(stream.Context(), err)
		}
		if !begun || len(m.GetRoasts())+len(m.GetEnded()) > 0 {
			if err := stream.Send(m); err != nil {
				return err
			}
		}
		select {
		case <-ticker.C:
		case <-stream.Context().Done():
			return status.FromContextError(stream.Context().Err()).Err()
		case <-s.stopping:
			return refuse(pb.ErrorReason_ERROR_REASON_STOPPING, "the hub is stopping: watch again")
		}
	}
}

// roastWatch looks at the roasts for one watcher.
type roastWatch struct {
	scribe   *scribe
	stations []string // empty: all
	// Roasts that it was told of and that go on, each with the history of its drum,
	// which does not change meanwhile but by corrections.
	going map[string][]forecast.Past
}

// check refuses what is no drum.
func (w *roastWatch) check(ctx context.Context) error {
	var refusal error
	err := w.scribe.read(ctx, func(b *book.Book) {
		for _, name := range w.stations {
			refusal = first(refusal, isDrum(b, name))
		}
	})
	return first(refusal, err)
}

// isDrum refuses a station that is none, or that nothing is roasted in.
func isDrum(b *book.Book, name string) error {
	st, err := station(b, name)
	if err == nil && st.GetKind() != pb.StationKind_STATION_KIND_DRUM {
		return refuse(pb.ErrorReason_ERROR_REASON_STATION_KIND, "stations: %s is no drum, and nothing is roasted there", name)
	}
	return err
}

// look returns how the roasts are now.
func (w *roastWatch) look(ctx context.Context) (*pb.WatchRoastsResponse, error) {
	now := w.scribe.clock.Now()
	m := &pb.WatchRoastsResponse{LabTime: timestamppb.New(now)}
	was := w.going
	w.going = make(map[string][]forecast.Past, len(was))
	err := w.scribe.read(ctx, func(b *book.Book) {
		for _, id := range b.Roasting(w.stations) {
			history, known := was[id]
			if !known {
				history = b.History(id)
			}
			if p := b.Progress(id, history, now); p != nil {
				w.going[id] = history
				m.Roasts = append(m.Roasts, p)
			}
		}
	})
	for id := range was {
		if _, goes := w.going[id]; !goes {
			m.Ended = append(m.Ended, id)
		}
	}
	slices.Sort(m.Ended)
	return m, err
}
