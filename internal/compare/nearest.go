package compare

import (
	"cmp"
	"math"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Nearest says how far roasts lie from a reference, which may be of another roaster, in
// the words of the services: nearest first, and those of which less is known last. The
// distance is the root of the mean square of the differences in tolerances: it needs no
// uncertainty; that a roast is near enough is shown only with one.
//
// It is an error if a value or the terms cannot be (see Value and Terms).
func Nearest(reference Roast, roasts []Roast, terms Terms) ([]*pb.Translation, error) {
	var list []*pb.Translation
	for _, r := range roasts {
		p, err := Pair(r, reference, terms)
		if err != nil {
			return nil, err
		}
		t := &pb.Translation{Sample: r.Sample, Roast: r.Name}
		sum, n := 0.0, 0
		for _, j := range p.Judgements {
			v := translated(j, r, reference)
			if v.Difference != nil {
				x := v.GetDifference() / j.Aspect.Tolerance
				sum, n = sum+x*x, n+1
			}
			if j.Verdict == Alike {
				t.Alike++
			}
			t.Values = append(t.Values, v)
		}
		if n > 0 {
			t.Distance = proto.Float64(math.Sqrt(sum / float64(n)))
		}
		list = append(list, t)
	}
	slices.SortStableFunc(list, func(x, y *pb.Translation) int {
		return cmp.Or(cmp.Compare(unknown(x), unknown(y)), cmp.Compare(x.GetDistance(), y.GetDistance()), cmp.Compare(x.GetSample(), y.GetSample()), cmp.Compare(x.GetRoast(), y.GetRoast()))
	})
	return list, nil
}

// unknown counts the quantities in which a roast cannot be held against the reference.
func unknown(t *pb.Translation) int {
	n := 0
	for _, v := range t.GetValues() {
		if v.Difference == nil {
			n++
		}
	}
	return n
}

func translated(j Judgement, here, reference Roast) *pb.TranslatedValue {
	a := j.Aspect
	v := &pb.TranslatedValue{Name: a.Name, Unit: a.Unit, Verdict: verdicts[j.Verdict], Missing: j.Missing}
	x, inHere := here.Values[a.Name]
	y, inReference := reference.Values[a.Name]
	if inHere {
		v.Here = proto.Float64(x.Value)
	}
	if inReference {
		v.Reference = proto.Float64(y.Value)
	}
	if !inHere || !inReference || x.Basis != y.Basis {
		return v
	}
	v.Difference, v.Change = proto.Float64(x.Value-y.Value), proto.Float64(y.Value-x.Value)
	if j.Verdict != Unknown {
		v.StandardUncertainty = proto.Float64(j.Test.Difference.Standard)
	}
	return v
}

// OfCurve returns a roast of a roaster that no hub recorded, with the values that it has
// in the aspects. Found are the findings of its curve, measured what was measured of it,
// which counts instead; false with the name of a value that cannot be one.
func OfCurve(name string, found []*pb.FindingMade, measured []*pb.ParityValue, aspects []Aspect) (Roast, string, bool) {
	r := Roast{Sample: name, Name: "reference", Values: map[string]Value{}}
	for _, a := range aspects {
		for _, f := range found {
			if f.GetName() == a.Name && f.GetUnit() == a.Unit {
				r.Values[a.Name], _ = valueOf(&pb.ParityValue{Value: f.GetValue(), StandardUncertainty: f.StandardUncertainty})
			}
		}
		for _, m := range measured {
			if m.GetName() != a.Name {
				continue
			}
			v, ok := valueOf(m)
			if !ok || m.GetUnit() != "" && m.GetUnit() != a.Unit {
				return r, a.Name, false
			}
			r.Values[a.Name] = v
		}
	}
	return r, "", true
}

// Told are the values of a roast in the words of the services.
func (r Roast) Told(aspects []Aspect) []*pb.ParityValue { return r.values(aspects) }
