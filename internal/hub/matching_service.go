package hub

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/compare"
	"github.com/evenbench/evenbench/internal/matching"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// matchingService plans studies of how alike drums roast, and says what they show.
type matchingService struct {
	pb.UnimplementedMatchingServiceServer
	scribe *scribe
}

// mostBlocks of a study: with four drums they are 200 roasts.
const mostBlocks = 50

func (s *matchingService) PlanMatching(ctx context.Context, r *pb.PlanMatchingRequest) (*pb.PlanMatchingResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		plan, err := planned(b, r)
		if err != nil {
			return nil, err
		}
		return &pb.Entry{Body: &pb.Entry_MatchingPlanned{MatchingPlanned: plan}}, nil
	})
	if err != nil {
		return nil, err
	}
	m := e.GetMatchingPlanned()
	return &pb.PlanMatchingResponse{Study: m.GetStudy(), Charges: m.GetCharges(), Cursor: e.GetCursor()}, nil
}

// planned judges what a study is to be planned from, and plans it.
func planned(b *book.Book, r *pb.PlanMatchingRequest) (*pb.MatchingPlanned, error) {
	portions, err := portionsOf(b, r.GetSamples())
	if err != nil {
		return nil, err
	}
	for _, name := range r.GetDrums() {
		if err := drum(b, name); err != nil {
			return nil, err
		}
	}
	if r.GetBlocks() > mostBlocks {
		return nil, invalid("blocks", "%d are more than %d: plan another study afterwards", r.GetBlocks(), mostBlocks)
	}
	if err := checkText("reason", r.GetReason(), longestText); err != nil {
		return nil, err
	}
	var records []*pb.SampleRecord
	for _, code := range r.GetSamples() {
		record, _ := b.Record(code)
		records = append(records, record)
	}
	terms, err := checkedTerms(termsOf(b, r.GetTerms()), records)
	if err != nil {
		return nil, err
	}
	seed := r.GetSeed()
	for seed == 0 {
		var drawn [8]byte
		_, _ = rand.Read(drawn[:]) // it never fails
		seed = binary.LittleEndian.Uint64(drawn[:])
	}
	charges, err := matching.Charges(portions, r.GetDrums(), int(r.GetBlocks()), seed)
	if err != nil {
		return nil, invalid("drums", "%v", err)
	}
	return &pb.MatchingPlanned{
		Study: b.FreeStudy(), Samples: r.GetSamples(), Drums: r.GetDrums(), Blocks: r.GetBlocks(), Seed: seed,
		Terms: terms, Charges: charges, Reason: r.GetReason(),
	}, nil
}

// portionsOf judges the samples that a study is to take from.
func portionsOf(b *book.Book, codes []string) ([]matching.Portion, error) {
	if len(codes) == 0 {
		return nil, invalid("samples", "is empty: name the reference samples that portions are taken of")
	}
	var list []matching.Portion
	for i, code := range codes {
		if err := known(b, code); err != nil {
			return nil, err
		}
		if slices.Contains(codes[:i], code) {
			return nil, invalid("samples", "names %s twice: name each sample once", code)
		}
		id := b.Identity(code)
		if id.GetKind() != pb.SampleKind_SAMPLE_KIND_REFERENCE {
			return nil, invalid("samples", "%s is registered as %s: drums are matched by reference coffee; register its portions with that kind", code, book.KindWord(id.GetKind()))
		}
		if other := b.Studying(code); other != "" {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_MATCHING_STATE, "samples: study %s still needs %s: wait until it is done, or end it", other, code)
		}
		list = append(list, matching.Portion{Sample: code, Lot: id.GetLot()})
	}
	return list, nil
}

func (s *matchingService) EndMatching(ctx context.Context, r *pb.EndMatchingRequest) (*pb.EndMatchingResponse, error) {
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		study, err := studyMeant(b, r.GetStudy())
		if err != nil {
			return nil, err
		}
		if study.GetEnded() {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_MATCHING_STATE, "study: %s has ended: nothing of it is to be done", r.GetStudy())
		}
		if err := checkReason(r.GetReason()); err != nil {
			return nil, err
		}
		return &pb.Entry{Body: &pb.Entry_MatchingEnded{MatchingEnded: &pb.MatchingEnded{Study: r.GetStudy(), Reason: r.GetReason()}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.EndMatchingResponse{Cursor: e.GetCursor()}, nil
}

func studyMeant(b *book.Book, name string) (*pb.MatchingStatus, error) {
	if study, ok := b.Study(name); ok {
		return study, nil
	}
	var all []string
	for _, st := range b.Studies() {
		all = append(all, st.GetPlan().GetStudy())
	}
	return nil, refuse(pb.ErrorReason_ERROR_REASON_MATCHING_UNKNOWN, "study: the record has no %q; %s", name, names(all))
}

func (s *matchingService) ListMatchings(ctx context.Context, _ *pb.ListMatchingsRequest) (*pb.ListMatchingsResponse, error) {
	answer := &pb.ListMatchingsResponse{}
	err := s.scribe.read(ctx, func(b *book.Book) { answer.Studies = b.Studies() })
	return answer, err
}

func (s *matchingService) GetMatching(ctx context.Context, r *pb.GetMatchingRequest) (*pb.GetMatchingResponse, error) {
	answer := &pb.GetMatchingResponse{}
	var terms compare.Terms
	var charts []book.ReferenceChart
	roasts := map[string]compare.Roast{}
	var refusal error
	err := s.scribe.read(ctx, func(b *book.Book) {
		charts = b.Charts()
		if all := b.Studies(); r.GetStudy() != "" {
			answer.Study, refusal = studyMeant(b, r.GetStudy())
		} else if len(all) > 0 {
			answer.Study = all[len(all)-1]
		}
		if answer.Study != nil {
			terms, refusal = studied(b, answer.Study, roasts)
		}
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	answer.Results = matching.Results(answer.Study, terms, roasts)
	for _, c := range charts {
		answer.Charts = append(answer.Charts, matching.ChartOf(c.Station, c.Lot, c.Aspect, c.Roasts))
	}
	return answer, nil
}

// studied gathers the roasts of a study by their names.
func studied(b *book.Book, study *pb.MatchingStatus, roasts map[string]compare.Roast) (compare.Terms, error) {
	var records []*pb.SampleRecord
	for _, code := range study.GetPlan().GetSamples() {
		if record, ok := b.Record(code); ok {
			records = append(records, record)
		}
	}
	terms, err := compare.Read(compare.Complete(study.GetPlan().GetTerms(), records))
	if err != nil {
		return terms, refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "study: %v", err)
	}
	for _, record := range records {
		list, err := compare.OfRecord(record, terms.Aspects)
		if err != nil {
			return terms, refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "study: %v", err)
		}
		for _, r := range list {
			roasts[r.Name] = r
		}
	}
	return terms, nil
}
