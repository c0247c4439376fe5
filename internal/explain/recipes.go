package explain

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/balance"
	"github.com/evenbench/evenbench/internal/metrology/moisture"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// propagation is where the uncertainties of findings come from.
const propagation = "JCGM 100:2008 (GUM), 5.1.2 and 5.2.2: uncertainty through a function, with correlation"

// recipes explain the findings, by the method that made them.
var recipes = map[string]func(subject, *pb.Finding, *pb.Explanation){
	roast.MethodLossInMass:         subject.lossInMass,
	balance.MethodDryMatterLoss:    subject.dryMatterLoss,
	balance.MethodColourDifference: subject.colourDifference,
	balance.MethodAfterDrop:        subject.afterDrop,
	roast.MethodBetweenMarks:       subject.betweenMarks,
	"between_marks/1":              subject.betweenMarks, // as it was before it stated an uncertainty
	roast.MethodBeanAt:             ofProbe("the bean probe on the parabola through its readings 7.5 s to either side of the mark"),
	roast.MethodBeanBefore: ofProbe("the bean probe at the end of the straight line through its readings of the 15 s before the mark, " +
		"for after it the probe leaves its course"),
	roast.MethodRateOfRise: ofProbe("the slope of the bean probe by least squares over a window around the moment"),
	roast.MethodArea:       ofProbe("the kelvins of the bean probe above 100 °C, summed up over the minutes from the turning point to the drop"),
	roast.MethodRateBefore: ofProbe("the slope of the bean probe by least squares over the last window before the drop"),
}

// named returns the measurements that a finding was computed from as inputs of these
// names; nil if the record has not all of them.
func (s subject) named(f *pb.Finding, names ...string) []*pb.ExplainedInput {
	var list []*pb.ExplainedInput
	for i, cursor := range f.GetInputs() {
		m := s.taken(cursor)
		if m == nil || i >= len(names) {
			return nil
		}
		list = append(list, input(names[i], m))
	}
	if len(list) != len(names) {
		return nil
	}
	return list
}

// computed fills in a computation: its formula, and the same with the values of the
// inputs in place of their names.
func computed(e *pb.Explanation, formula string) {
	// Longer names first: "roasted moisture" is not "moisture".
	list := slices.Clone(e.GetInputs())
	slices.SortFunc(list, func(a, b *pb.ExplainedInput) int { return len(b.GetName()) - len(a.GetName()) })
	with := formula
	for _, i := range list {
		text := number(i.GetValue())
		if i.GetUnit() != "" && i.GetUnit() != "1" {
			text += " " + i.GetUnit()
		}
		with = strings.ReplaceAll(with, i.GetName(), text)
	}
	e.Formula = formula
	e.Computed = with + " = " + rounded(e.GetValue(), e.StandardUncertainty)
	if e.GetUnit() != "1" {
		e.Computed += " " + e.GetUnit()
	}
}

// budget states what each input contributes, if what was computed anew is what the
// record has.
func budget(e *pb.Explanation, r uncertainty.Result, err error) {
	if err != nil || !near(r.Value, e.GetValue()) || e.StandardUncertainty != nil && !near(r.Standard, e.GetStandardUncertainty()) {
		e.Remarks = append(e.Remarks, "Computed anew it comes to another value: the record was made by another version.")
		return
	}
	if e.StandardUncertainty == nil {
		e.Remarks = append(e.Remarks, "The uncertainty of one of the readings is not known, so that of the result is not either: state it in the sheet or the lab file (uncertainty:).")
		return
	}
	for i, c := range r.Budget {
		e.Inputs[i].Sensitivity, e.Inputs[i].Contribution = proto.Float64(c.Sensitivity), proto.Float64(c.Standard)
	}
	expand(e, r.Estimate)
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*max(1, math.Abs(a), math.Abs(b)) }

func (s subject) lossInMass(f *pb.Finding, e *pb.Explanation) {
	if e.Inputs = s.named(f, balance.GreenMass, balance.RoastedMass); e.Inputs == nil {
		e.Inputs = s.inputs(f)
		return
	}
	computed(e, "100 · (green mass − roasted mass) / green mass")
	r, err := balance.LossInMass(estimate(e.Inputs[0].GetMeasurement()), estimate(e.Inputs[1].GetMeasurement()))
	budget(e, r, err)
	e.Sources = []string{propagation}
	e.Remarks = append(e.Remarks, "It counts the water that the beans lost as well: two samples of unlike moisture are compared on their loss of dry matter.")
}

func (s subject) dryMatterLoss(f *pb.Finding, e *pb.Explanation) {
	if e.Inputs = s.named(f, balance.GreenMass, moisture.GreenMoisture, balance.RoastedMass, moisture.RoastedMoisture); e.Inputs == nil {
		e.Inputs = s.inputs(f)
		return
	}
	e.Sources = []string{propagation}
	for _, i := range []*pb.ExplainedInput{e.Inputs[1], e.Inputs[3]} {
		toWet(e, i)
	}
	computed(e, "100 · (1 − roasted mass · (100 − roasted moisture) / (green mass · (100 − green moisture)))")
	of := func(mass, water *pb.ExplainedInput) moisture.Portion {
		return moisture.Portion{
			Mass:     estimate(mass.GetMeasurement()),
			Moisture: uncertainty.Estimate{Value: water.GetValue(), Standard: water.GetStandardUncertainty()},
		}
	}
	one := balance.SameMeter(e.Inputs[1].GetMeasurement(), e.Inputs[3].GetMeasurement())
	if one {
		e.Correlations = []*pb.ExplainedCorrelation{{
			A: moisture.GreenMoisture, B: moisture.RoastedMoisture, Coefficient: balance.OneMeter,
			Why: fmt.Sprintf("both are of %s, and a part of its error is the same in both; how large a part is not known, and half is assumed", e.Inputs[1].GetMeasurement().GetInstrument()),
		}}
	}
	r, err := balance.DryMatterLoss(of(e.Inputs[0], e.Inputs[1]), of(e.Inputs[2], e.Inputs[3]), one)
	budget(e, r, err)
}

// toWet states a moisture on wet basis, as the computation has it.
func toWet(e *pb.Explanation, i *pb.ExplainedInput) {
	if i.GetBasis() != "dry" {
		return
	}
	wet, err := moisture.ToWet(uncertainty.Estimate{Value: i.GetValue(), Standard: i.GetStandardUncertainty()})
	if err != nil {
		return
	}
	e.Remarks = append(e.Remarks, fmt.Sprintf("%s was measured as %s %% of the dry matter, which is %s %% of the whole.", strings.ToUpper(i.GetName()[:1])+i.GetName()[1:], number(i.GetValue()), number(wet.Value)))
	i.Value, i.Basis = wet.Value, "wet"
	if i.StandardUncertainty != nil {
		i.StandardUncertainty = proto.Float64(wet.Standard)
	}
}

func (s subject) colourDifference(f *pb.Finding, e *pb.Explanation) {
	if e.Inputs = s.named(f, balance.GroundColour, balance.WholeColour); e.Inputs == nil {
		e.Inputs = s.inputs(f)
		return
	}
	e.Basis = e.Inputs[0].GetBasis()
	computed(e, "ground colour − whole colour")
	r, err := balance.ColourDifference(estimate(e.Inputs[1].GetMeasurement()), estimate(e.Inputs[0].GetMeasurement()))
	budget(e, r, err)
	e.Sources = []string{propagation}
	e.Remarks = append(e.Remarks, "The two readings are taken as independent: an error that the meter makes in both would cancel, so that this is rather too uncertain than too certain.")
}

func (s subject) afterDrop(f *pb.Finding, e *pb.Explanation) {
	e.Inputs = s.inputs(f)
	e.Formula = "time of the reading − time of the drop"
}

// between says from which mark to which a time runs, and of which it is a share.
var between = map[string]struct {
	from, to pb.MarkKind
	share    bool
}{
	"total_time":            {from: pb.MarkKind_MARK_KIND_CHARGE, to: pb.MarkKind_MARK_KIND_DROP},
	"time_to_turning_point": {from: pb.MarkKind_MARK_KIND_CHARGE, to: pb.MarkKind_MARK_KIND_TURNING_POINT},
	"drying_time":           {from: pb.MarkKind_MARK_KIND_CHARGE, to: pb.MarkKind_MARK_KIND_YELLOWING},
	"drying_share":          {from: pb.MarkKind_MARK_KIND_CHARGE, to: pb.MarkKind_MARK_KIND_YELLOWING, share: true},
	"browning_time":         {from: pb.MarkKind_MARK_KIND_YELLOWING, to: pb.MarkKind_MARK_KIND_FIRST_CRACK},
	"browning_share":        {from: pb.MarkKind_MARK_KIND_YELLOWING, to: pb.MarkKind_MARK_KIND_FIRST_CRACK, share: true},
	"development_time":      {from: pb.MarkKind_MARK_KIND_FIRST_CRACK, to: pb.MarkKind_MARK_KIND_DROP},
	"development_ratio":     {from: pb.MarkKind_MARK_KIND_FIRST_CRACK, to: pb.MarkKind_MARK_KIND_DROP, share: true},
}

func (s subject) betweenMarks(f *pb.Finding, e *pb.Explanation) {
	of, ok := between[f.GetName()]
	if !ok {
		e.Inputs = s.inputs(f)
		return
	}
	for _, k := range s.roast.GetMarks() {
		if kind := k.GetKind(); kind == of.from || kind == of.to || of.share && (kind == pb.MarkKind_MARK_KIND_CHARGE || kind == pb.MarkKind_MARK_KIND_DROP) {
			e.Inputs = append(e.Inputs, marked(k))
		}
	}
	formula := markName(of.to) + " − " + markName(of.from)
	if of.share {
		formula = "100 · (" + formula + ") / (drop − charge)"
	}
	computed(e, formula)
	e.Remarks = append(e.Remarks, "Times run from the charge, on the clock of the readings, which no change of the wall clock moves.")
	if e.StandardUncertainty != nil {
		e.Remarks = append(e.Remarks, "It is as uncertain as the marks are, each by how it was set: by the hub, as it did on simulated roasts, or by a person, as is assumed.")
	}
}

// ofProbe explains what is read of the bean probe's curve at a mark.
func ofProbe(how string) func(subject, *pb.Finding, *pb.Explanation) {
	return func(s subject, f *pb.Finding, e *pb.Explanation) {
		e.Formula = how
		for _, k := range s.roast.GetMarks() {
			if strings.HasSuffix(f.GetName(), "_at_"+strings.ReplaceAll(markName(k.GetKind()), " ", "_")) {
				e.Inputs = append(e.Inputs, marked(k))
			}
		}
		e.Remarks = append(e.Remarks, fmt.Sprintf("The curve is that of the bean probe of %s, readings %d to %d of its run; evenctl export trace --roast %s writes it out.",
			s.roast.GetInstrument(), s.roast.GetFirstNumber(), s.roast.GetLastNumber(), s.roast.GetRoast()))
	}
}
