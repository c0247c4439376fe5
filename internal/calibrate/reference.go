package calibrate

import (
	"math"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/metrology/water"
	"github.com/evenbench/evenbench/internal/metrology/weighing"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// iceHalfWidth, K: what melting ice in a stirred bath of clean water may be off, as a
	// bench makes it; carefully made ice is ten times better. Our own estimate.
	iceHalfWidth = 0.1
	// boilingHalfWidth, K: steam over plain water, a probe not quite in it. Our own
	// estimate; the pressure comes on top.
	boilingHalfWidth = 0.2
	// pressureHalfWidth, kPa, of a barometer as labs have it. Our own estimate.
	pressureHalfWidth = 0.3
)

// Air at any place where people roast: 60 kPa at 4,200 m, 108 kPa in the strongest high.
const leastAirKPa, mostAirKPa = 60, 108

func clone(p *pb.CalibrationPoint) *pb.CalibrationPoint { return proto.CloneOf(p) }

// Complete returns a copy of a point with the reference that its means gives, where that
// is known: of ice and boiling water, and the tolerance of a weight by its class. Display is
// counted in the uncertainty of what was read.
//
// It is a FieldError, of the field named, if the means is not for this quantity, or if what
// it needs is missing or cannot be.
func Complete(p *pb.CalibrationPoint, c Channel, field string) (*pb.CalibrationPoint, error) {
	p = clone(p)
	p.Residual = 0
	for _, n := range []struct {
		name  string
		value float64
	}{{"read", p.GetRead()}, {"reference", p.GetReference()}, {"read_uncertainty", p.GetReadUncertainty()}, {"reference_uncertainty", p.GetReferenceUncertainty()}} {
		if !finite(n.value) {
			return nil, bad(field+"."+n.name, "is %g; it must be finite", n.value)
		}
		if strings.HasSuffix(n.name, "uncertainty") && n.value < 0 {
			return nil, bad(field+"."+n.name, "is %g; it must not be below 0", n.value)
		}
	}
	var err error
	switch p.GetMeans() {
	case pb.ReferenceMeans_REFERENCE_MEANS_UNSPECIFIED:
		return nil, bad(field+".means", "is missing: ice, boiling water, weight, oven, tile, paired or other")
	case pb.ReferenceMeans_REFERENCE_MEANS_ICE, pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER:
		err = waterPoint(p, c, field)
	case pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT:
		err = weight(p, c, field)
	case pb.ReferenceMeans_REFERENCE_MEANS_OVEN:
		err = only(c, "moisture", "a sample from the oven", field)
	case pb.ReferenceMeans_REFERENCE_MEANS_TILE:
		err = only(c, "colour", "a tile", field)
	}
	if err != nil {
		return nil, err
	}
	if display := c.Resolution / math.Sqrt(12); p.GetRun() == "" {
		p.ReadUncertainty = math.Hypot(p.GetReadUncertainty(), display)
	}
	return p, nil
}

func only(c Channel, quantity, what, field string) error {
	if c.Quantity == quantity {
		return nil
	}
	return bad(field+".means", "is %s, and the channel measures %s: it is for %s", what, c.Quantity, quantity)
}

// waterPoint is ice or boiling water, of which the temperature is known.
func waterPoint(p *pb.CalibrationPoint, c Channel, field string) error {
	if err := only(c, "temperature", "water", field); err != nil {
		return err
	}
	if p.GetReference() != 0 {
		return bad(field+".reference", "is %g, and water is known: leave it out, or give other as the means", p.GetReference())
	}
	half := float64(iceHalfWidth)
	if p.GetMeans() == pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER {
		kPa := p.GetPressureKpa()
		if !(kPa >= leastAirKPa && kPa <= mostAirKPa) {
			return bad(field+".pressure_kpa", "is %g kPa; air has %d to %d kPa, at the place itself and not reduced to sea level", kPa, leastAirKPa, mostAirKPa)
		}
		at, err := water.BoilingPoint(kPa)
		if err != nil {
			return bad(field+".pressure_kpa", "%v", err)
		}
		above, err := water.BoilingPoint(kPa + pressureHalfWidth)
		if err != nil {
			return bad(field+".pressure_kpa", "%v", err)
		}
		p.Reference, half = at, math.Hypot(boilingHalfWidth, above-at)
	}
	if p.GetReferenceUncertainty() == 0 {
		p.ReferenceUncertainty = half / math.Sqrt(3)
	}
	return nil
}

// weight is a check weight, whose class says how sure it is.
func weight(p *pb.CalibrationPoint, c Channel, field string) error {
	if err := only(c, "mass", "a weight", field); err != nil {
		return err
	}
	if p.GetWeightClass() == "" || p.GetReferenceUncertainty() != 0 {
		return nil
	}
	tolerance, err := weighing.Together(weighing.WeightClass(p.GetWeightClass()), p.GetReference())
	if err != nil {
		return bad(field+".weight_class", "does not fit: %v", err)
	}
	p.ReferenceUncertainty = tolerance / math.Sqrt(3)
	return nil
}
