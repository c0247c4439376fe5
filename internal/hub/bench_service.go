package hub

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// benchService writes what people do.
type benchService struct {
	pb.UnimplementedBenchServiceServer
	scribe *scribe
}

func (s *benchService) RegisterSample(ctx context.Context, r *pb.RegisterSampleRequest) (*pb.RegisterSampleResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		code := r.GetSample()
		if code == "" {
			code = b.FreeCode()
		}
		if err := checkCode(code); err != nil {
			return nil, err
		}
		if b.HasSample(code) {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_SAMPLE_EXISTS,
				"sample: %s is registered already: choose another code, or amend that sample", code)
		}
		if err := checkIdentity(r.GetIdentity()); err != nil {
			return nil, err
		}
		return &pb.Entry{Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{
			Sample: code, Identity: r.GetIdentity(),
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.RegisterSampleResponse{Sample: e.GetSampleRegistered().GetSample(), Cursor: e.GetCursor()}, nil
}

func (s *benchService) AmendSample(ctx context.Context, r *pb.AmendSampleRequest) (*pb.AmendSampleResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		if err := known(b, r.GetSample()); err != nil {
			return nil, err
		}
		if err := checkReason(r.GetReason()); err != nil {
			return nil, err
		}
		if err := checkIdentity(r.GetIdentity()); err != nil {
			return nil, err
		}
		changes := book.IdentityChanges(b.Identity(r.GetSample()), r.GetIdentity())
		if len(changes) == 0 {
			return nil, invalid("identity", "is what %s has already: nothing to amend", r.GetSample())
		}
		return &pb.Entry{Body: &pb.Entry_SampleAmended{SampleAmended: &pb.SampleAmended{
			Sample: r.GetSample(), Reason: r.GetReason(), Changes: changes,
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.AmendSampleResponse{Cursor: e.GetCursor()}, nil
}

func (s *benchService) QueueSample(ctx context.Context, r *pb.QueueSampleRequest) (*pb.QueueSampleResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		if err := drum(b, r.GetStation()); err != nil {
			return nil, err
		}
		if err := known(b, r.GetSample()); err != nil {
			return nil, err
		}
		if at := b.QueuedFor(r.GetSample()); at != "" {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_ALREADY_QUEUED,
				"sample: %s waits for %s already: unqueue it first", r.GetSample(), at)
		}
		position := uint32(b.QueueLength(r.GetStation()) + 1)
		if p := r.GetPosition(); p > 0 && p < position {
			position = p
		}
		return &pb.Entry{Body: &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{
			Station: r.GetStation(), Sample: r.GetSample(), Position: position,
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.QueueSampleResponse{Position: e.GetSampleQueued().GetPosition(), Cursor: e.GetCursor()}, nil
}

func (s *benchService) UnqueueSample(ctx context.Context, r *pb.UnqueueSampleRequest) (*pb.UnqueueSampleResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		// The station may have left the lab file; the sample still waits for it.
		if err := known(b, r.GetSample()); err != nil {
			return nil, err
		}
		if err := checkText("reason", r.GetReason(), longestText); err != nil {
			return nil, err
		}
		if b.QueuedFor(r.GetSample()) != r.GetStation() {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_NOT_QUEUED,
				"sample: %s does not wait for %s: nothing to take out", r.GetSample(), r.GetStation())
		}
		return &pb.Entry{Body: &pb.Entry_SampleUnqueued{SampleUnqueued: &pb.SampleUnqueued{
			Station: r.GetStation(), Sample: r.GetSample(), Reason: r.GetReason(),
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.UnqueueSampleResponse{Cursor: e.GetCursor()}, nil
}

func (s *benchService) PlaceSample(ctx context.Context, r *pb.PlaceSampleRequest) (*pb.PlaceSampleResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, now time.Time) (*pb.Entry, error) {
		at, err := when("at", r.GetAt(), now)
		if err != nil {
			return nil, err
		}
		place, err := station(b, r.GetStation())
		if err != nil {
			return nil, err
		}
		switch place.GetKind() {
		case pb.StationKind_STATION_KIND_DRUM:
			return nil, refuse(pb.ErrorReason_ERROR_REASON_STATION_KIND,
				"station: %s is a drum: queue the sample, and the charge puts it in", r.GetStation())
		case pb.StationKind_STATION_KIND_ROOM:
			return nil, refuse(pb.ErrorReason_ERROR_REASON_STATION_KIND,
				"station: samples are not placed on %s: nothing is measured of them there", r.GetStation())
		}
		if err := known(b, r.GetSample()); err != nil {
			return nil, err
		}
		since := b.FreeSince(r.GetStation())
		if r.GetAt() == nil && at.Before(since) {
			at = since // the clock was stepped back, and no instrument has shown it yet
		}
		if at.Before(since) {
			return nil, invalid("at", "%s is before %s, until when another sample was on %s: assign the readings to the sample instead",
				at.Format(time.RFC3339), since.Format(time.RFC3339), r.GetStation())
		}
		return &pb.Entry{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{
			Station: r.GetStation(), Sample: r.GetSample(), At: timestamppb.New(at), By: pb.PlacementMeans_PLACEMENT_MEANS_CALL,
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.PlaceSampleResponse{Cursor: e.GetCursor()}, nil
}

func (s *benchService) RemoveSample(ctx context.Context, r *pb.RemoveSampleRequest) (*pb.RemoveSampleResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, now time.Time) (*pb.Entry, error) {
		if err := known(b, r.GetSample()); err != nil {
			return nil, err
		}
		if err := checkText("reason", r.GetReason(), longestText); err != nil {
			return nil, err
		}
		if b.On(r.GetStation()) != r.GetSample() {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_NOT_PLACED,
				"sample: %s is not on %s: nothing to remove", r.GetSample(), r.GetStation())
		}
		return &pb.Entry{Body: &pb.Entry_SampleRemoved{SampleRemoved: &pb.SampleRemoved{
			Station: r.GetStation(), Sample: r.GetSample(), At: timestamppb.New(now), Reason: r.GetReason(),
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.RemoveSampleResponse{Cursor: e.GetCursor()}, nil
}

func (s *benchService) AssignReadings(ctx context.Context, r *pb.AssignReadingsRequest) (*pb.AssignReadingsResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		run := r.GetRun()
		if run == "" {
			run = b.CurrentRun(r.GetInstrument()).GetRun()
		}
		opened, _ := b.Run(r.GetInstrument(), run)
		last := b.Accounted(r.GetInstrument(), run)
		switch {
		case opened == nil:
			return nil, refuse(pb.ErrorReason_ERROR_REASON_READINGS_UNKNOWN,
				"instrument: %q has no run %q in this record", r.GetInstrument(), run)
		case r.GetFirstNumber() == 0:
			return nil, invalid("first_number", "is 0: readings are numbered from 1")
		case r.GetLastNumber() < r.GetFirstNumber():
			return nil, invalid("last_number", "%d is less than first_number, %d", r.GetLastNumber(), r.GetFirstNumber())
		case r.GetLastNumber() > last:
			return nil, refuse(pb.ErrorReason_ERROR_REASON_READINGS_UNKNOWN,
				"last_number: %d is more than the run has, %d", r.GetLastNumber(), last)
		}
		if r.GetSample() != "" {
			if err := known(b, r.GetSample()); err != nil {
				return nil, err
			}
		}
		if err := checkReason(r.GetReason()); err != nil {
			return nil, err
		}
		return &pb.Entry{Body: &pb.Entry_ReadingsAssigned{ReadingsAssigned: &pb.ReadingsAssigned{
			Instrument: r.GetInstrument(), Run: run, FirstNumber: r.GetFirstNumber(), LastNumber: r.GetLastNumber(),
			Sample: r.GetSample(), Reason: r.GetReason(),
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.AssignReadingsResponse{Cursor: e.GetCursor()}, nil
}

func (s *benchService) AddNote(ctx context.Context, r *pb.AddNoteRequest) (*pb.AddNoteResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		var err error
		switch sample, place, instrument := r.GetSample() != "", r.GetStation() != "", r.GetInstrument() != ""; {
		case sample && !place && !instrument:
			err = known(b, r.GetSample())
		case place && !sample && !instrument:
			_, err = station(b, r.GetStation())
		case instrument && !sample && !place:
			if b.CurrentRun(r.GetInstrument()) == nil {
				err = refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_UNKNOWN, "instrument: the record knows no %q", r.GetInstrument())
			}
		default:
			err = invalid("sample", "a note is on one of sample, station and instrument: set exactly one")
		}
		if err != nil {
			return nil, err
		}
		if r.GetText() == "" {
			return nil, invalid("text", "is empty: say what there is to note")
		}
		if err := checkText("text", r.GetText(), longestText); err != nil {
			return nil, err
		}
		return &pb.Entry{Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{
			Sample: r.GetSample(), Station: r.GetStation(), Instrument: r.GetInstrument(), Text: r.GetText(),
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.AddNoteResponse{Cursor: e.GetCursor()}, nil
}

func (s *benchService) ListStations(ctx context.Context, _ *pb.ListStationsRequest) (*pb.ListStationsResponse, error) {
	var list []*pb.StationStatus
	err := s.scribe.read(ctx, func(b *book.Book) { list = b.Stations() })
	return &pb.ListStationsResponse{Stations: list}, err
}

func (s *benchService) SetMark(ctx context.Context, r *pb.SetMarkRequest) (*pb.SetMarkResponse, error) {
	if err := s.supply(ctx, r.GetRoast()); err != nil {
		return nil, err
	}
	e, err := s.scribe.take(ctx, r, func(b *book.Book, now time.Time) (*pb.Entry, error) {
		return judgeMark(b, r, now)
	})
	if err != nil {
		return nil, err
	}
	response := &pb.SetMarkResponse{Cursor: e.GetCursor()}
	if m := e.GetMarkSet(); m != nil {
		response.Roast, response.ElapsedS = m.GetRoast(), m.GetElapsedS()
	} else {
		response.Roast = e.GetRoastOpened().GetRoast()
	}
	return response, nil
}

// supply gives the book the bean curve of a roast whose findings a mark is about to
// change, where the book has let go of it.
func (s *benchService) supply(ctx context.Context, id string) error {
	var at book.Span
	var wanting bool
	var a anew
	if err := s.scribe.read(ctx, func(b *book.Book) {
		if at, wanting = b.Span(id), b.Wanting(id); wanting {
			r, _, _ := b.Roast(id)
			a = anewOf(b, r)
		}
	}); err != nil || !wanting {
		return err
	}
	curve, err := beanCurve(ctx, s.scribe.ledger, at, a)
	if err != nil {
		return err
	}
	s.scribe.mu.Lock()
	defer s.scribe.mu.Unlock()
	s.scribe.book.Supply(id, curve)
	return nil
}
