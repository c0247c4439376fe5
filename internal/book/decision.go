package book

import (
	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// decisionMade puts a decision into the records of the samples that it was made on.
func (b *Book) decisionMade(e *pb.Entry, m *pb.DecisionMade) {
	for _, code := range m.GetSamples() {
		s := b.samples[code]
		if s == nil {
			continue
		}
		s.record.Decisions = append(s.record.Decisions, &pb.RecordedDecision{
			Made: proto.CloneOf(m), Actor: e.GetActor(), Person: e.GetPerson(), At: e.GetRecordedAt(), Cursor: e.GetCursor(),
		})
		b.touch(s)
	}
}
