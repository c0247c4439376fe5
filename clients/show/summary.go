package show

import (
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Summary is the part of a sample record that fits on a line.
type Summary struct {
	// State says in words where the sample is in its way through the lab.
	State string
	// Roast is the latest one that was not given up; nil if there is none.
	Roast *pb.Roast

	record *pb.SampleRecord
}

// Summarize sums up a record.
func Summarize(r *pb.SampleRecord) Summary {
	s := Summary{record: r}
	for _, roast := range r.GetRoasts() {
		if roast.GetState() != pb.RoastState_ROAST_STATE_ABORTED {
			s.Roast = roast
		}
	}
	s.State = s.state()
	return s
}

func (s Summary) state() string {
	r := s.record
	last := len(r.GetPlacements()) - 1
	switch {
	case s.Roast.GetState() == pb.RoastState_ROAST_STATE_ROASTING:
		return "roasting on " + s.Roast.GetStation()
	case r.GetQueuedFor() != "":
		return "waits for " + r.GetQueuedFor()
	case last >= 0 && r.GetPlacements()[last].GetTo() == nil:
		return "on " + r.GetPlacements()[last].GetStation()
	case s.Roast != nil:
		return "roasted"
	case len(r.GetRoasts()) > 0:
		return "roast given up"
	case len(r.GetMeasurements()) > 0:
		return "measured"
	}
	return "registered"
}

// Measured returns the measurement of a property that counts; nil if there is
// none.
func (s Summary) Measured(property string) *pb.Measurement {
	var found *pb.Measurement
	for _, m := range s.record.GetMeasurements() {
		if m.GetProperty() == property && !m.GetSuperseded() {
			found = m
		}
	}
	return found
}

// Found returns the finding of a name: of the roast, or of the sample itself; nil
// if there is none.
func (s Summary) Found(name string) *pb.Finding {
	for _, list := range [][]*pb.Finding{s.Roast.GetFindings(), s.record.GetFindings()} {
		for i := len(list) - 1; i >= 0; i-- {
			if list[i].GetName() == name {
				return list[i]
			}
		}
	}
	return nil
}
