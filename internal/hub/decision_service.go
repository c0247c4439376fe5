package hub

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/compare"
	"github.com/evenbench/evenbench/internal/decide"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// decisionService says how lots stand, and writes what is decided about them.
type decisionService struct {
	pb.UnimplementedDecisionServiceServer
	scribe *scribe
}

// awaited is how long a lot without a decision awaits one, from its last sample on: what
// nobody decides on would else be compared for ever.
const awaited = 60 * 24 * time.Hour

// ListDecisions compares the lots that are asked for with each other, and with those that
// await a decision: so a lot stands the same on whichever list it is.
func (s *decisionService) ListDecisions(ctx context.Context, r *pb.ListDecisionsRequest) (*pb.ListDecisionsResponse, error) {
	if r.GetSince() != nil {
		if err := r.GetSince().CheckValid(); err != nil {
			return nil, invalid("since", "is no time: %v", err)
		}
	}
	var all, compared []*pb.SampleRecord
	var asked map[string]bool
	var terms *pb.ParityTerms
	var rules []*pb.DecisionRule
	var refusal error
	err := s.scribe.read(ctx, func(b *book.Book) {
		if asked, refusal = lotsAsked(b, r); refusal != nil {
			return
		}
		terms, rules = termsOf(b, nil), b.Lab().GetDecisionRules()
		waits := lotsAwaiting(b)
		for record := range everySample(b) {
			lot := record.GetIdentity().GetLot()
			if asked[lot] {
				all = append(all, record)
			}
			if asked[lot] || waits[lot] {
				compared = append(compared, record)
			}
		}
		if len(compared) > mostCompared {
			refusal = tooMany("lots", len(compared))
		}
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	if terms, err = checkedTerms(terms, compared); err != nil {
		return nil, err
	}
	parity, err := compare.Answer(compared, terms)
	if err != nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "%v", err)
	}
	answer := &pb.ListDecisionsResponse{Terms: terms}
	answer.Lots, answer.WithoutLot = decide.Lots(all, parity, nil, rules)
	if r.GetUndecided() {
		answer.Lots = slices.DeleteFunc(answer.Lots, func(l *pb.LotStanding) bool { return l.GetDecision() != nil })
	}
	return answer, nil
}

// everySample yields the records of all samples, in the order of registration.
func everySample(b *book.Book) func(func(*pb.SampleRecord) bool) {
	return func(yield func(*pb.SampleRecord) bool) {
		for skip := 0; ; {
			page, next := b.List("", skip, largestPage, pageBytes)
			for _, record := range page {
				if !yield(record) {
					return
				}
			}
			if next == 0 {
				return
			}
			skip = next
		}
	}
}

// lotsAsked are the lots that a request selects. Samples without a lot are selected as
// those of the lot "".
func lotsAsked(b *book.Book, r *pb.ListDecisionsRequest) (map[string]bool, error) {
	asked, there := map[string]bool{}, map[string]bool{}
	for record := range everySample(b) {
		id := record.GetIdentity()
		there[id.GetLot()] = true
		text := strings.ToLower(strings.Join([]string{record.GetSample(), id.GetLot(), id.GetIcoMark(), id.GetOrigin(), id.GetProcess()}, "\n"))
		switch {
		case len(r.GetLots()) > 0 && !slices.Contains(r.GetLots(), id.GetLot()):
		case !strings.Contains(text, strings.ToLower(r.GetSearch())):
		case r.GetSince() != nil && !record.GetRegisteredAt().AsTime().After(r.GetSince().AsTime()):
		default:
			asked[id.GetLot()] = true
		}
	}
	for _, lot := range r.GetLots() {
		if !there[lot] {
			return nil, lotUnknown(lot)
		}
	}
	return asked, nil
}

func lotUnknown(lot string) error {
	return refuse(pb.ErrorReason_ERROR_REASON_LOT_UNKNOWN, "lot: no sample is of lot %q: check the name, or amend the sample that should be of it", lot)
}

// lotsAwaiting are the lots that nobody has decided on, and of which there is a sample that
// is not old.
func lotsAwaiting(b *book.Book) map[string]bool {
	awaiting, decided := map[string]bool{}, map[string]bool{}
	for record := range everySample(b) {
		id := record.GetIdentity()
		if id.GetLot() == "" || id.GetKind() == pb.SampleKind_SAMPLE_KIND_REFERENCE {
			continue
		}
		decided[id.GetLot()] = decided[id.GetLot()] || slices.ContainsFunc(record.GetDecisions(), func(d *pb.RecordedDecision) bool { return d.GetMade().GetLot() == id.GetLot() })
		awaiting[id.GetLot()] = awaiting[id.GetLot()] || b.Now().Sub(record.GetRegisteredAt().AsTime()) < awaited
	}
	for lot := range decided {
		awaiting[lot] = awaiting[lot] && !decided[lot]
	}
	return awaiting
}

func (s *decisionService) Decide(ctx context.Context, r *pb.DecideRequest) (*pb.DecideResponse, error) {
	if strings.TrimSpace(r.GetPerson()) == "" {
		return nil, invalid("person", "is missing: a lot is decided on by a person, by name")
	}
	// How it stands is worked out before the scribe is held up for it.
	standing, refusal := s.ListDecisions(ctx, &pb.ListDecisionsRequest{Lots: []string{r.GetLot()}})
	e, err := s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		switch {
		case refusal != nil:
			return nil, refusal
		case len(standing.GetLots()) != 1:
			return nil, lotUnknown(r.GetLot())
		case r.GetDecision() == pb.Decision_DECISION_UNSPECIFIED || pb.Decision_name[int32(r.GetDecision())] == "":
			return nil, invalid("decision", "is missing: give buy, sell, blend, reject or roast again")
		}
		if err := checkReason(r.GetReason()); err != nil {
			return nil, err
		}
		lot := standing.GetLots()[0]
		return &pb.Entry{Body: &pb.Entry_DecisionMade{DecisionMade: &pb.DecisionMade{
			Lot: r.GetLot(), Decision: r.GetDecision(), Reason: r.GetReason(), DecidedBy: r.GetPerson(), Samples: lot.GetSamples(),
			Recommended: lot.GetRecommends(), RuleSource: lot.GetRuleSource(), AsOf: b.Last(),
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.DecideResponse{Recommended: e.GetDecisionMade().GetRecommended(), Cursor: e.GetCursor()}, nil
}
