package book

import (
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/forecast"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// standings say how a roast that goes on stands to the windows of the lab's criteria.
func (b *Book) standings(x *oneRoast, p *pb.RoastProgress, foreseen []forecast.Expected) []*pb.WindowStanding {
	var of criteria.Identity = &pb.SampleIdentity{} // nobody's: what is for all samples
	if x.sample != nil {
		of = x.sample.record.GetIdentity()
	}
	c := x.course(p, foreseen)
	var list []*pb.WindowStanding
	for _, set := range b.lab.GetCriteria() {
		for _, s := range criteria.During(set, of, c) {
			list = append(list, standing(set.GetName(), s))
		}
	}
	return list
}

// course is a roast that goes on as criteria look at it.
func (x *oneRoast) course(p *pb.RoastProgress, foreseen []forecast.Expected) criteria.Course {
	c := criteria.Course{
		Now: p.GetElapsedS(), Marks: map[pb.MarkKind]uncertainty.Estimate{}, Foreseen: map[pb.MarkKind]uncertainty.Estimate{}, Found: map[string]criteria.Value{},
	}
	by := x.methods()
	for kind, at := range x.usable() {
		u, _ := roast.MarkUncertainty(kind, by[kind])
		c.Marks[kind] = uncertainty.Estimate{Value: at - x.charge, Standard: u}
	}
	for _, e := range foreseen {
		if e.Unknown == "" && !e.Overdue {
			c.Foreseen[e.Kind] = e.When
		}
	}
	for _, f := range p.GetFindings() {
		c.Found[f.GetName()] = criteria.Value{
			Estimate: uncertainty.Estimate{Value: f.GetValue(), Standard: f.GetStandardUncertainty()}, Unit: f.GetUnit(),
		}
	}
	return c
}

var standingStates = map[criteria.State]pb.StandingState{
	criteria.Open:     pb.StandingState_STANDING_STATE_OPEN,
	criteria.OnCourse: pb.StandingState_STANDING_STATE_ON_COURSE,
	criteria.WillOut:  pb.StandingState_STANDING_STATE_WILL_BE_OUTSIDE,
	criteria.In:       pb.StandingState_STANDING_STATE_INSIDE,
	criteria.Out:      pb.StandingState_STANDING_STATE_OUTSIDE,
	criteria.Unsure:   pb.StandingState_STANDING_STATE_UNDECIDED,
}

func standing(set string, s criteria.Standing) *pb.WindowStanding {
	w := &pb.WindowStanding{
		Criteria: set, Window: s.Window, Quantity: criteria.Findings[s.Window.GetFinding()], State: standingStates[s.State],
		Least: bounded(s.Least), Most: bounded(s.Most), Awaits: s.Awaits, OpensS: bounded(s.From), ClosesS: bounded(s.Until), Remark: s.Remark,
	}
	if v := s.Value; v != nil {
		w.Value = proto.Float64(v.Value)
		if v.Standard > 0 {
			w.StandardUncertainty = proto.Float64(v.Standard)
		}
	}
	if e := s.Expected; e != nil {
		low, high := e.Interval(forecast.Coverage)
		w.Likely, w.Lowest, w.Highest, w.Coverage = proto.Float64(e.Value), proto.Float64(low), proto.Float64(high), forecast.Coverage
	}
	if o := s.Odds; o != nil {
		w.Inside, w.Below, w.Above = proto.Float64(o.Inside), proto.Float64(o.Below), proto.Float64(o.Above)
	}
	return w
}

// bounded returns a bound, or nil for one that is infinite or not known.
func bounded(v float64) *float64 {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return nil
	}
	return &v
}
