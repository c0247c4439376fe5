package hub

import (
	"context"
	"errors"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// recordService reads the record.
type recordService struct {
	pb.UnimplementedRecordServiceServer
	scribe   *scribe
	version  string
	stopping <-chan struct{}

	subscribers *subscribers
	// past has room for one who asks for the record as it was.
	past chan struct{}
}

func (s *recordService) GetRecordInfo(ctx context.Context, _ *pb.GetRecordInfoRequest) (*pb.GetRecordInfoResponse, error) {
	info := &pb.GetRecordInfoResponse{RecordId: s.scribe.ledger.RecordID(), HubVersion: s.version}
	err := s.scribe.read(ctx, func(b *book.Book) {
		info.LastCursor = b.Last()
		info.ClockRate = b.Opened().GetClockRate()
		info.LabName = b.Lab().GetLabName()
		info.Stations = b.Lab().GetStations()
	})
	info.LabTime = timestamppb.New(s.scribe.clock.Now())
	return info, err
}

func (s *recordService) GetSample(ctx context.Context, r *pb.GetSampleRequest) (*pb.GetSampleResponse, error) {
	if on := r.GetAsKnownOn(); on != nil {
		record, err := s.knownOn(ctx, r.GetSample(), on)
		return &pb.GetSampleResponse{Record: record}, err
	}
	var record *pb.SampleRecord
	var refusal error
	err := s.scribe.read(ctx, func(b *book.Book) {
		if refusal = known(b, r.GetSample()); refusal == nil {
			record, _ = b.Record(r.GetSample())
		}
	})
	return &pb.GetSampleResponse{Record: record}, first(refusal, err)
}

// first returns the first error that is one.
func first(list ...error) error {
	for _, err := range list {
		if err != nil {
			return err
		}
	}
	return nil
}

// A page ends after so many samples, or so many bytes, well below what a gRPC client
// takes if nothing is said.
const (
	defaultPage = 50
	largestPage = 500
	pageBytes   = 2 << 20
)

func (s *recordService) ListSamples(ctx context.Context, r *pb.ListSamplesRequest) (*pb.ListSamplesResponse, error) {
	skip := 0
	if token := r.GetPageToken(); token != "" {
		// A page ends before a sample of a certain place in the order of
		// registration, which never changes.
		n, err := strconv.Atoi(token)
		if err != nil || n < 0 {
			return nil, invalid("page_token", "%q is none that this hub gave: use the next_page_token of the page before", token)
		}
		skip = n
	}
	size := int(r.GetPageSize())
	switch {
	case size == 0:
		size = defaultPage
	case size > largestPage:
		return nil, invalid("page_size", "%d is more than %d", size, largestPage)
	}
	page := &pb.ListSamplesResponse{}
	err := s.scribe.read(ctx, func(b *book.Book) {
		var next int
		if page.Records, next = b.List(strings.TrimSpace(r.GetSearch()), skip, size, pageBytes); next > 0 {
			page.NextPageToken = strconv.Itoa(next)
		}
	})
	return page, err
}

func (s *recordService) AuditRecord(ctx context.Context, _ *pb.AuditRecordRequest) (*pb.AuditRecordResponse, error) {
	return s.scribe.ledger.Audit(ctx)
}

// ofRoast returns the sample of a roast and the instrument that followed it; empty
// for an unknown one.
func (s *recordService) ofRoast(roast string) (sample, instrument string) {
	s.scribe.mu.RLock()
	defer s.scribe.mu.RUnlock()
	r, sample, _ := s.scribe.book.Roast(roast)
	return sample, r.GetInstrument()
}

// ended turns the error that ended a reader into the answer to a subscriber.
func ended(ctx context.Context, err error) error {
	switch {
	case ctx.Err() != nil:
		return status.FromContextError(ctx.Err()).Err()
	case errors.Is(err, ledger.ErrClosed), errors.Is(err, context.Canceled):
		return refuse(pb.ErrorReason_ERROR_REASON_STOPPING, "the hub is stopping: subscribe again after the last cursor you got")
	}
	return status.Errorf(codes.DataLoss, "read the record: %v", err)
}
