package compare

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/criteria"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// noStandard is the source of tolerances that nobody has stated.
const noStandard = "where a lab may begin: no standard states it"

// Usual are the terms of a lab that has stated none of its own.
func Usual() *pb.ParityTerms {
	return usual(map[string]float64{"dry_matter_loss": 0.6, "colour_ground": 2, "total_time": 60, "development_time": 15})
}

// UsualTranslation are terms for roasts of different roasters, on which the same curve
// does not show the same roast: the shares of the phases between the marks, and what
// became of the coffee. Temperatures of probes are left out. Marks that a person sets are
// sure enough to show shares of 5 points, and not of much less.
func UsualTranslation() *pb.ParityTerms {
	return usual(map[string]float64{"drying_share": 5, "browning_share": 5, "development_ratio": 3, "colour_ground": 2, "dry_matter_loss": 0.6})
}

// usual orders tolerances as a person looks at a roast: what became of the coffee first.
func usual(within map[string]float64) *pb.ParityTerms {
	t := &pb.ParityTerms{Confidence: 0.95}
	for _, name := range []string{"dry_matter_loss", "colour_ground", "total_time", "development_time", "drying_share", "browning_share", "development_ratio"} {
		if w, ok := within[name]; ok {
			t.Tolerances = append(t.Tolerances, &pb.Tolerance{Name: name, Within: w, Unit: unit(name), Source: noStandard})
		}
	}
	return t
}

// unit is that of the usual tolerances.
func unit(name string) string {
	switch {
	case strings.HasSuffix(name, "_time"):
		return "s"
	case strings.HasPrefix(name, "colour_"):
		return "1"
	}
	return "%"
}

// Complete returns terms with a unit wherever a record says which it is.
func Complete(t *pb.ParityTerms, records []*pb.SampleRecord) *pb.ParityTerms {
	t = proto.CloneOf(t)
	for _, of := range t.GetTolerances() {
		if of.GetUnit() == "" {
			of.Unit = unitIn(of.GetName(), records)
		}
	}
	return t
}

func unitIn(name string, records []*pb.SampleRecord) string {
	for _, r := range records {
		for _, m := range r.GetMeasurements() {
			if m.GetProperty() == name {
				return m.GetUnit()
			}
		}
		for _, roast := range r.GetRoasts() {
			for _, f := range roast.GetFindings() {
				if f.GetName() == name {
					return f.GetUnit()
				}
			}
		}
	}
	return ""
}

// Read returns terms as they are written down. It is an error if a name is of nothing
// that a roast can have, or if a tolerance or the confidence cannot be (see Terms).
func Read(t *pb.ParityTerms) (Terms, error) {
	terms := Terms{Confidence: t.GetConfidence()}
	for _, of := range t.GetTolerances() {
		name := of.GetName()
		if _, finding := criteria.Findings[name]; !finding && !criteria.OfRoasted[name] {
			return terms, fmt.Errorf("a roast has no %q; there are %s", name, strings.Join(Names(), ", "))
		}
		terms.Aspects = append(terms.Aspects, Aspect{Name: name, Unit: of.GetUnit(), Tolerance: of.GetWithin()})
	}
	return terms, terms.check()
}

// Names are those that a tolerance can have, sorted.
func Names() []string {
	return slices.Sorted(func(yield func(string) bool) {
		for name := range maps.Keys(criteria.Findings) {
			if !yield(name) {
				return
			}
		}
		for name := range maps.Keys(criteria.OfRoasted) {
			if !yield(name) {
				return
			}
		}
	})
}
