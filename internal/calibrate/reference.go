package calibrate

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/metrology/water"
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

// tolerances are the largest permissible errors of weights, mg, by their nominal mass in g
// (OIML R 111-1:2004, table 1; from memory, but for those of 100 and 500 g in F1 and M1).
var tolerances = map[string]map[float64]float64{
	"E2": {1: 0.03, 2: 0.04, 5: 0.05, 10: 0.06, 20: 0.08, 50: 0.10, 100: 0.16, 200: 0.3, 500: 0.8, 1000: 1.6, 2000: 3, 5000: 8, 10000: 16},
	"F1": {1: 0.10, 2: 0.12, 5: 0.16, 10: 0.20, 20: 0.25, 50: 0.3, 100: 0.5, 200: 1, 500: 2.5, 1000: 5, 2000: 10, 5000: 25, 10000: 50},
	"F2": {1: 0.3, 2: 0.4, 5: 0.5, 10: 0.6, 20: 0.8, 50: 1, 100: 1.6, 200: 3, 500: 8, 1000: 16, 2000: 30, 5000: 80, 10000: 160},
	"M1": {1: 1, 2: 1.2, 5: 1.6, 10: 2, 20: 2.5, 50: 3, 100: 5, 200: 10, 500: 25, 1000: 50, 2000: 100, 5000: 250, 10000: 500},
	"M2": {1: 3, 2: 4, 5: 5, 10: 6, 20: 8, 50: 10, 100: 16, 200: 30, 500: 80, 1000: 160, 2000: 300, 5000: 800, 10000: 1600},
	"M3": {1: 10, 2: 12, 5: 16, 10: 20, 20: 25, 50: 30, 100: 50, 200: 100, 500: 250, 1000: 500, 2000: 1000, 5000: 2500, 10000: 5000},
}

// Classes of weights whose tolerances are known.
var Classes = []string{"E2", "F1", "F2", "M1", "M2", "M3"}

// Tolerance returns by how much a weight of a class may be off, g, at a nominal mass, g.
// Of a mass that is put together it is the sum of the tolerances of its weights, each taken
// as large as possible.
//
// It is an error if the class is not known, or if no whole grams make up the mass.
func Tolerance(class string, grams float64) (float64, error) {
	of, ok := tolerances[class]
	if !ok {
		return 0, fmt.Errorf("class %q of weights is not known; there are %s", class, strings.Join(Classes, ", "))
	}
	if !(grams >= 1 && grams <= 50_000) || grams != math.Trunc(grams) {
		return 0, fmt.Errorf("a mass of %g g cannot be put together of weights of 1 g to 10 kg: state its uncertainty instead", grams)
	}
	var nominal []float64
	for n := range of {
		nominal = append(nominal, n)
	}
	slices.Sort(nominal)
	sum, rest := 0.0, grams
	for _, n := range slices.Backward(nominal) {
		for ; rest >= n; rest -= n {
			sum += of[n] / 1000
		}
	}
	return sum, nil
}

// weight is a check weight, whose class says how sure it is.
func weight(p *pb.CalibrationPoint, c Channel, field string) error {
	if err := only(c, "mass", "a weight", field); err != nil {
		return err
	}
	if p.GetWeightClass() == "" || p.GetReferenceUncertainty() != 0 {
		return nil
	}
	tolerance, err := Tolerance(p.GetWeightClass(), p.GetReference())
	if err != nil {
		return bad(field+".weight_class", "%v", err)
	}
	p.ReferenceUncertainty = tolerance / math.Sqrt(3)
	return nil
}
