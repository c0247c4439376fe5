package compare

import (
	"fmt"
	"time"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// OfRecord returns the roasts of a sample that ended, with their values in the aspects:
// a roast's own findings, and what was measured of its coffee, such as the colour: what
// the record says is of that roast or, where it says of none, what was measured between
// its charge and the next one. Of several measurements the last counts. Bad ones are left
// out.
//
// It is an error if a value is in another unit than the aspect.
func OfRecord(record *pb.SampleRecord, aspects []Aspect) ([]Roast, error) {
	var roasts []Roast
	for i, r := range record.GetRoasts() {
		if r.GetState() != pb.RoastState_ROAST_STATE_DROPPED {
			continue
		}
		out := Roast{Sample: record.GetSample(), Name: r.GetRoast(), Values: map[string]Value{}}
		for _, a := range aspects {
			for _, m := range record.GetMeasurements() {
				if m.GetProperty() != a.Name || m.GetQuality() == pb.Quality_QUALITY_BAD || m.GetSuperseded() || !of(r, m, next(record, i)) {
					continue
				}
				if m.GetUnit() != a.Unit {
					return nil, otherUnit(record, a, m.GetUnit())
				}
				out.Values[a.Name] = Value{Estimate: uncertainty.Estimate{Value: m.GetValue(), Standard: m.GetStandardUncertainty()}, Basis: m.GetBasis(), Instrument: m.GetInstrument()}
			}
			for _, f := range r.GetFindings() {
				if f.GetName() != a.Name {
					continue
				}
				if f.GetUnit() != a.Unit {
					return nil, otherUnit(record, a, f.GetUnit())
				}
				out.Values[a.Name] = Value{Estimate: uncertainty.Estimate{Value: f.GetValue(), Standard: f.GetStandardUncertainty()}}
			}
		}
		roasts = append(roasts, out)
	}
	return roasts, nil
}

// next is when the sample was charged again after its roast i; zero if it was not.
func next(record *pb.SampleRecord, i int) time.Time {
	if i+1 < len(record.GetRoasts()) {
		return record.GetRoasts()[i+1].GetChargedAt().AsTime()
	}
	return time.Time{}
}

// of tells whether a measurement is of a roast, of which the next was charged at a time.
func of(r *pb.Roast, m *pb.Measurement, next time.Time) bool {
	if m.GetRoast() != "" {
		return m.GetRoast() == r.GetRoast()
	}
	at := m.GetAt().AsTime()
	return !at.Before(r.GetChargedAt().AsTime()) && (next.IsZero() || at.Before(next))
}

func otherUnit(record *pb.SampleRecord, a Aspect, unit string) error {
	return fmt.Errorf("compare sample %q: its %s is in %q and the tolerance in %q; give the tolerance in the unit of the record", record.GetSample(), a.Name, unit, a.Unit)
}
