package hub

import (
	"context"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/explain"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ExplainFinding says how a value in the record of a sample came about.
func (s *recordService) ExplainFinding(ctx context.Context, r *pb.ExplainFindingRequest) (*pb.ExplainFindingResponse, error) {
	switch {
	case r.GetName() == "":
		return nil, invalid("name", "is missing: name a finding, a measured property or a criteria set")
	case (r.GetSample() == "") == (r.GetRoast() == ""):
		return nil, invalid("sample", "and roast: name one of the two")
	}
	var record *pb.SampleRecord
	lags := map[string]lagged{} // by roast
	var refusal error
	err := s.scribe.read(ctx, func(b *book.Book) {
		code := r.GetSample()
		if name := r.GetRoast(); name != "" {
			var ok bool
			if _, code, ok = b.Roast(name); !ok {
				refusal = refuse(pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN, "roast: there is no roast %q", name)
				return
			}
			if code == "" {
				refusal = invalid("roast", "%s is no sample's yet: assign its readings to the sample that was in the drum", name)
				return
			}
		}
		if refusal = known(b, code); refusal == nil {
			record, _ = b.Record(code)
			for _, x := range record.GetRoasts() {
				if lag, by := b.Lag(x.GetRoast()); by != "" {
					lags[x.GetRoast()] = lagged{x, lag, by}
				}
			}
		}
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	answer, err := explain.Of(record, r.GetRoast(), r.GetName())
	if err != nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_FINDING_UNKNOWN, "name: %v", err)
	}
	if l, known := lags[answer.GetRoast()]; known {
		explain.Lagging(answer, l.roast, l.lag, l.by)
	}
	return answer, nil
}

// lagged is a roast, how its bean probe follows what it touches, and the calibration that
// says so.
type lagged struct {
	roast *pb.Roast
	lag   roast.Lag
	by    string
}
