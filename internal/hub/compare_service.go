package hub

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/compare"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// compareService holds roasts of the record against each other. It records nothing.
type compareService struct {
	pb.UnimplementedCompareServiceServer
	scribe *scribe
}

// mostCompared samples in one call: the work grows with the square of their roasts.
const mostCompared = 1000

func (s *compareService) Compare(ctx context.Context, r *pb.CompareRequest) (*pb.CompareResponse, error) {
	var records []*pb.SampleRecord
	var terms *pb.ParityTerms
	var refusal error
	err := s.scribe.read(ctx, func(b *book.Book) {
		if records, refusal = selected(b, selection{"samples", r.GetSamples(), r.GetSearch(), r.GetSince()}); refusal == nil {
			terms = termsOf(b, r.GetTerms())
		}
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	if terms, err = checkedTerms(terms, records); err != nil {
		return nil, err
	}
	answer, err := compare.Answer(records, terms)
	if err != nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "%v", err)
	}
	return answer, nil
}

// termsOf returns the terms of a request, else those of the lab file, else the usual ones.
func termsOf(b *book.Book, asked *pb.ParityTerms) *pb.ParityTerms {
	switch {
	case asked != nil:
		return asked
	case b.Lab().GetParity() != nil:
		return b.Lab().GetParity()
	}
	return compare.Usual()
}

// checkedTerms completes terms from the records that they are for.
func checkedTerms(terms *pb.ParityTerms, records []*pb.SampleRecord) (*pb.ParityTerms, error) {
	terms = compare.Complete(terms, records)
	if _, err := compare.Read(terms); err != nil {
		return nil, invalid("terms", "%v", err)
	}
	for _, t := range terms.GetTolerances() {
		if err := checkText("terms.tolerances.source", t.GetSource(), longestText); err != nil {
			return nil, err
		}
	}
	return terms, nil
}

// selection says which samples are meant: those named in a field of the request or, where
// none is, those that were roasted since a time and that a search finds.
type selection struct {
	field  string
	codes  []string
	search string
	since  *timestamppb.Timestamp
}

// selected returns the records of samples, in the order in which they are named or were
// registered.
func selected(b *book.Book, want selection) ([]*pb.SampleRecord, error) {
	if len(want.codes) > mostCompared {
		return nil, tooMany(want.field, len(want.codes))
	}
	var records []*pb.SampleRecord
	for i, code := range want.codes {
		if slices.Contains(want.codes[:i], code) {
			return nil, invalid(want.field, "names %s twice: name each sample once", code)
		}
		if err := known(b, code); err != nil {
			return nil, err
		}
		record, _ := b.Record(code)
		records = append(records, record)
	}
	if len(want.codes) > 0 {
		if want.search != "" || want.since != nil {
			return nil, invalid("search", "and since select samples, and %s names them: give one of the two", want.field)
		}
		return records, nil
	}
	if want.since != nil {
		if err := want.since.CheckValid(); err != nil {
			return nil, invalid("since", "is no time: %v", err)
		}
	}
	for skip := 0; ; {
		page, next := b.List(want.search, skip, mostCompared, pageBytes)
		for _, record := range page {
			if want.since == nil || roastedSince(record, want.since.AsTime()) {
				records = append(records, record)
			}
		}
		switch {
		case len(records) > mostCompared:
			return nil, tooMany(want.field, len(records))
		case next == 0:
			return records, nil
		}
		skip = next
	}
}

func tooMany(field string, n int) error {
	return refuse(pb.ErrorReason_ERROR_REASON_TOO_MUCH, "%s: %d samples are more than are compared at once, %d: name fewer, or select with search and since", field, n, mostCompared)
}

func roastedSince(record *pb.SampleRecord, since time.Time) bool {
	return slices.ContainsFunc(record.GetRoasts(), func(r *pb.Roast) bool { return r.GetChargedAt().AsTime().After(since) })
}
