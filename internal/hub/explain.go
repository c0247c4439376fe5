package hub

import (
	"context"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/explain"
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
		}
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	answer, err := explain.Of(record, r.GetRoast(), r.GetName())
	if err != nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_FINDING_UNKNOWN, "name: %v", err)
	}
	return answer, nil
}
