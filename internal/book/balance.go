package book

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/balance"
	"github.com/evenbench/evenbench/internal/metrology/moisture"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// fromMeasurements are the findings that need no curve: they are made again, or
// withdrawn, however long ago the roast was.
var fromMeasurements = map[string]bool{
	"loss_in_mass": true, "dry_matter_loss": true, "colour_difference": true, "time_to_colour_whole": true, "time_to_colour_ground": true,
}

// measuredFindings computes what was weighed, measured and read of a roast gives. What
// cannot be computed, as a loss of coffee that is heavier than before, is no finding.
func (x *oneRoast) measuredFindings() []*pb.FindingMade {
	if x.sample == nil {
		return nil
	}
	var list []*pb.FindingMade
	if f, err := x.loss(); f != nil && err == nil {
		list = append(list, f)
	}
	for _, f := range []*pb.FindingMade{
		x.dryMatterLoss(), x.colourDifference(),
		x.timeTo(colourWhole, "time_to_colour_whole"), x.timeTo(colourGround, "time_to_colour_ground"),
	} {
		if f != nil {
			list = append(list, f)
		}
	}
	return list
}

// reading returns the measurement of a property of this roast that counts; nil if there
// is none, or if its reading is bad.
func (x *oneRoast) reading(property string) *pb.Measurement {
	return unlessBad(x.sample.measurement(property, x.pb.GetRoast()))
}

func unlessBad(m *pb.Measurement) *pb.Measurement {
	if m.GetQuality() == pb.Quality_QUALITY_BAD {
		return nil
	}
	return m
}

// loss computes the loss in mass; nil without both masses, an error if no roast can
// have made one of the other.
func (x *oneRoast) loss() (*pb.FindingMade, error) {
	if x.sample == nil {
		return nil, nil
	}
	green, roasted := x.greenMass(), x.sample.measurement(roastedMass, x.pb.GetRoast())
	if green == nil || roasted == nil {
		return nil, nil
	}
	f, err := roast.LossInMass(grams(green), grams(roasted))
	made := f.Entry()
	made.Inputs = taken(green, roasted)
	return made, err
}

func grams(m *pb.Measurement) roast.Mass {
	return roast.Mass{Grams: m.GetValue(), Uncertainty: m.GetStandardUncertainty()}
}

func estimate(m *pb.Measurement) uncertainty.Estimate {
	return uncertainty.Estimate{Value: m.GetValue(), Standard: m.GetStandardUncertainty()}
}

// taken returns the cursors of measurements.
func taken(list ...*pb.Measurement) []uint64 {
	var cursors []uint64
	for _, m := range list {
		cursors = append(cursors, m.GetTaken())
	}
	return cursors
}

// result makes a finding of measurements. Its uncertainty is stated where that of each
// of them is known.
func result(name, method, unit string, r uncertainty.Result, of ...*pb.Measurement) *pb.FindingMade {
	f := &pb.FindingMade{Name: name, Value: r.Value, Unit: unit, Method: method, Inputs: taken(of...)}
	if !slices.ContainsFunc(of, func(m *pb.Measurement) bool { return m.GetStandardUncertainty() == 0 }) {
		f.StandardUncertainty = proto.Float64(r.Standard)
	}
	return f
}

func (x *oneRoast) dryMatterLoss() *pb.FindingMade {
	mass, left := unlessBad(x.greenMass()), x.reading(roastedMass)
	wet, dried := unlessBad(x.sample.measurement(greenMoisture, "")), x.reading(roastedMoisture)
	if mass == nil || left == nil || wet == nil || dried == nil {
		return nil
	}
	green, err := onWetBasis(wet)
	if err != nil {
		return nil
	}
	roasted, err := onWetBasis(dried)
	if err != nil {
		return nil
	}
	r, err := balance.DryMatterLoss(
		moisture.Portion{Mass: estimate(mass), Moisture: green}, moisture.Portion{Mass: estimate(left), Moisture: roasted}, balance.SameMeter(wet, dried))
	if err != nil {
		return nil
	}
	return result("dry_matter_loss", balance.MethodDryMatterLoss, "%", r, mass, wet, left, dried)
}

func onWetBasis(m *pb.Measurement) (uncertainty.Estimate, error) {
	if m.GetBasis() == "dry" {
		return moisture.ToWet(estimate(m))
	}
	return estimate(m), nil
}

func (x *oneRoast) colourDifference() *pb.FindingMade {
	whole, ground := x.reading(colourWhole), x.reading(colourGround)
	if whole == nil || ground == nil || whole.GetBasis() != ground.GetBasis() {
		return nil
	}
	r, err := balance.ColourDifference(estimate(whole), estimate(ground))
	if err != nil {
		return nil
	}
	return result("colour_difference", balance.MethodColourDifference, whole.GetUnit(), r, ground, whole)
}

// timeTo computes the time from the drop to a measurement of the roasted coffee.
func (x *oneRoast) timeTo(property, name string) *pb.FindingMade {
	m := x.reading(property)
	i := slices.IndexFunc(x.pb.GetMarks(), func(k *pb.Mark) bool { return k.GetKind() == pb.MarkKind_MARK_KIND_DROP })
	if m == nil || i < 0 {
		return nil
	}
	drop := x.pb.GetMarks()[i]
	after := m.GetAt().AsTime().Sub(drop.GetAt().AsTime())
	if after < 0 {
		return nil
	}
	return &pb.FindingMade{
		Name: name, Value: roundTo(after.Seconds(), 1e-6), Unit: "s", Method: balance.MethodAfterDrop, Inputs: []uint64{drop.GetCursor(), m.GetTaken()},
	}
}

// greenMass returns the charge mass that was weighed for this roast: the latest one
// before its charge, and after the charge of the roast before.
func (x *oneRoast) greenMass() *pb.Measurement {
	charged := x.pb.GetChargedAt().AsTime()
	for _, m := range slices.Backward(x.sample.record.GetMeasurements()) {
		at := m.GetAt().AsTime()
		if m.GetProperty() != chargeMass || m.GetSuperseded() || at.After(charged) {
			continue
		}
		between := slices.ContainsFunc(x.sample.roasts, func(o *oneRoast) bool {
			c := o.pb.GetChargedAt().AsTime()
			return o != x && c.After(at) && c.Before(charged)
		})
		if !between {
			return m
		}
	}
	return nil
}

// weighed returns what was weighed of a roast; false without both masses.
func (x *oneRoast) weighed() (balance.Pair, bool) {
	if x.sample == nil {
		return balance.Pair{}, false
	}
	green, roasted := x.greenMass(), x.sample.measurement(roastedMass, x.pb.GetRoast())
	return balance.Pair{Green: green.GetValue(), Roasted: roasted.GetValue()}, green != nil && roasted != nil
}

// flagLoss drafts a flag if the masses of a roast cannot be of one coffee, with the
// roast that it may have been exchanged with; once for each pair of masses. Masses that
// can be of one coffee may still show what became of another one.
func (b *Book) flagLoss(x *oneRoast) {
	f, _ := x.loss()
	if f == nil || slices.Equal(f.GetInputs(), x.judged) {
		return
	}
	x.judged = f.GetInputs()
	if b.skims {
		return
	}
	text, implausible := judgeLoss(x)
	y := b.exchangedWith(x)
	if !implausible && y == nil {
		return
	}
	if !implausible {
		x, y = y, x
		text, _ = judgeLoss(x)
	}
	flag := &pb.FlagRaised{
		Code: pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_LOSS, Station: x.pb.GetStation(), Roast: x.pb.GetRoast(), Sample: x.sample.record.GetSample(), Text: text,
	}
	if y != nil {
		flag.OtherSample = y.sample.record.GetSample()
		flag.Text = exchangedText(x, y)
	}
	b.flag(flag)
}

// judgeLoss says what the masses of a roast speak for.
func judgeLoss(x *oneRoast) (text string, implausible bool) {
	f, err := x.loss()
	if err == nil {
		return roast.JudgeLoss(f.GetValue())
	}
	p, _ := x.weighed()
	return fmt.Sprintf("%.6g g of roasted coffee cannot come of %.6g g of green: samples were swapped or a weighing is wrong; weigh again", p.Roasted, p.Green), true
}

func exchangedText(x, y *oneRoast) string {
	a, _ := x.weighed()
	c, _ := y.weighed()
	lossA, lossC, _ := balance.Exchanged(a, c)
	one, other := x.sample.record.GetSample(), y.sample.record.GetSample()
	return fmt.Sprintf("%s and %s seem to have been exchanged: as weighed, %.6g g became %.6g g and %.6g g became %.6g g; the other way round the losses are %.1f %% and %.1f %%: look at both cups, and assign the masses",
		one, other, a.Green, a.Roasted, c.Green, c.Roasted, lossA, lossC)
}

// aboutSameTime is how far apart two roasts are charged whose cups may stand beside each
// other.
const aboutSameTime = time.Hour

// exchangedWith returns the roast of another sample of about the same time with which
// the roasted coffee of x fits when exchanged, and as it is does not: the one charged
// nearest to it. Nil if there is none.
func (b *Book) exchangedWith(x *oneRoast) (found *oneRoast) {
	mine, _ := x.weighed()
	apart := func(y *oneRoast) time.Duration {
		return x.pb.GetChargedAt().AsTime().Sub(y.pb.GetChargedAt().AsTime()).Abs()
	}
	for _, y := range b.roasts {
		if y.sample == nil || y.sample == x.sample || apart(y) > aboutSameTime {
			continue
		}
		theirs, ok := y.weighed()
		if !ok {
			continue
		}
		if _, _, fits := balance.Exchanged(mine, theirs); !fits {
			continue
		}
		// The roasts come in no order.
		nearer := found == nil || apart(y) < apart(found) || apart(y) == apart(found) && y.pb.GetRoast() < found.pb.GetRoast()
		if nearer {
			found = y
		}
	}
	return found
}

// flagDensity drafts a flag if coffee cannot have the bulk density that was measured.
func (b *Book) flagDensity(s *sample, m *pb.Measurement) {
	roasted := m.GetProperty() == "roasted_bulk_density"
	if m.GetProperty() != "bulk_density" && !roasted {
		return
	}
	if text := balance.JudgeDensity(m.GetValue(), roasted); text != "" {
		b.flag(&pb.FlagRaised{
			Code: pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_DENSITY, Station: m.GetStation(), Sample: s.record.GetSample(), Instrument: m.GetInstrument(), Text: text,
		})
	}
}
