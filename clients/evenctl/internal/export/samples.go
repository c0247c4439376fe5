package export

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Samples is one row a sample: who it is, and the results that most questions are
// about. Measurements and Findings have all of them.
func Samples(records []*pb.SampleRecord) Table {
	columns := []string{"sample", "kind", "lot", "ico_mark", "coffee_year", "process", "origin", "registered_at", "revision", "state"}
	masses := []string{"received_mass", "charge_mass", "roasted_mass", "moisture"}
	findings := []string{"loss_in_mass", "total_time"}
	for _, name := range append(append([]string{}, masses...), findings...) {
		columns = append(columns, name, name+"_unit")
		if name == "moisture" {
			columns = append(columns, "moisture_basis")
		}
	}
	columns = append(columns, "roast", "flags")
	return Table{columns, rows(func(yield func(...any) bool) {
		for _, r := range records {
			id, sum := r.GetIdentity(), show.Summarize(r)
			cells := []any{
				r.GetSample(), word(id.GetKind()), id.GetLot(), id.GetIcoMark(), id.GetCoffeeYear(), id.GetProcess(), id.GetOrigin(),
				r.GetRegisteredAt(), r.GetRevision(), sum.State,
			}
			for _, name := range masses {
				m := sum.Measured(name)
				cells = append(cells, valueOf(m != nil, m.GetValue()), m.GetUnit())
				if name == "moisture" {
					cells = append(cells, m.GetBasis())
				}
			}
			for _, name := range findings {
				f := sum.Found(name)
				cells = append(cells, valueOf(f != nil, f.GetValue()), f.GetUnit())
			}
			if !yield(append(cells, sum.Roast.GetRoast(), len(r.GetFlags()))...) {
				return
			}
		}
	})}
}

// Measurements is one row a measurement, those that a later one replaced among
// them.
func Measurements(records []*pb.SampleRecord) Table {
	return Table{
		[]string{
			"sample", "roast", "property", "value", "unit", "basis", "standard_uncertainty", "quality", "reasons", "at",
			"station", "instrument", "run", "number", "device_text", "device_unit", "calibration", "superseded",
		},
		rows(func(yield func(...any) bool) {
			for _, r := range records {
				for _, m := range r.GetMeasurements() {
					if !yield(r.GetSample(), m.GetRoast(), m.GetProperty(), m.GetValue(), m.GetUnit(), m.GetBasis(),
						optional(m.StandardUncertainty), word(m.GetQuality()), reasons(m.GetReasons()), m.GetAt(),
						m.GetStation(), m.GetInstrument(), m.GetRun(), m.GetNumber(), m.GetDeviceText(), m.GetDeviceUnit(),
						m.GetCalibration(), m.GetSuperseded()) {
						return
					}
				}
			}
		}),
	}
}

// Marks is one row a mark of a roast.
func Marks(records []*pb.SampleRecord) Table {
	return Table{
		[]string{"sample", "roast", "station", "roast_state", "charged_at", "mark", "at", "elapsed_s", "bean", "bean_unit", "method", "actor"},
		rows(func(yield func(...any) bool) {
			for _, r := range records {
				for _, roast := range r.GetRoasts() {
					for _, m := range roast.GetMarks() {
						unit := ""
						if m.BeanCel != nil {
							unit = "Cel"
						}
						if !yield(r.GetSample(), roast.GetRoast(), roast.GetStation(), word(roast.GetState()), roast.GetChargedAt(),
							word(m.GetKind()), m.GetAt(), m.GetElapsedS(), optional(m.BeanCel), unit, m.GetMethod(), m.GetActor()) {
							return
						}
					}
				}
			}
		}),
	}
}

// Findings is one row a computed result, of roasts and of samples.
func Findings(records []*pb.SampleRecord) Table {
	return Table{
		[]string{"sample", "roast", "station", "finding", "value", "unit", "standard_uncertainty", "method"},
		rows(func(yield func(...any) bool) {
			each := func(sample string, roast *pb.Roast, list []*pb.Finding) bool {
				for _, f := range list {
					if !yield(sample, roast.GetRoast(), roast.GetStation(), f.GetName(), f.GetValue(), f.GetUnit(), optional(f.StandardUncertainty), f.GetMethod()) {
						return false
					}
				}
				return true
			}
			for _, r := range records {
				for _, roast := range r.GetRoasts() {
					if !each(r.GetSample(), roast, roast.GetFindings()) {
						return
					}
				}
				if !each(r.GetSample(), nil, r.GetFindings()) {
					return
				}
			}
		}),
	}
}

// Trace is one row a point of a roast's curves. The rate of rise is one of them, under the
// channel's name with _rate, and so is what the bean probe touched, with _lag_corrected.
func Trace(t *pb.GetTraceResponse) Table {
	curves := t.GetCurves()
	return Table{
		[]string{"sample", "roast", "station", "channel", "role", "elapsed_s", "value", "unit", "window_s", "calibration", "doubts"},
		rows(func(yield func(...any) bool) {
			each := func(c *pb.Curve, name string) bool {
				for i, elapsed := range c.GetElapsedS() {
					if i >= len(c.GetValue()) {
						break
					}
					window := valueOf(c.GetWindowS() != 0, c.GetWindowS())
					if !yield(t.GetSample(), t.GetRoast().GetRoast(), t.GetRoast().GetStation(), name, c.GetRole(), elapsed, c.GetValue()[i], c.GetUnit(), window,
						calibrationOf(c, uint32(i)), reasons(doubtsOf(c, uint32(i)))) {
						return false
					}
				}
				return true
			}
			for _, c := range curves {
				if !each(c, c.GetChannel()) {
					return
				}
			}
			if each(t.GetRateOfRise(), t.GetRateOfRise().GetChannel()+"_rate") {
				corrected := t.GetLagCorrected().GetCurve()
				each(corrected, corrected.GetChannel()+"_lag_corrected")
			}
		}),
	}
}

// calibrationOf names the calibration that made a value of a curve; empty if none did.
func calibrationOf(c *pb.Curve, i uint32) (id string) {
	for _, from := range c.GetCalibrations() {
		if from.GetFirst() <= i {
			id = from.GetCalibration()
		}
	}
	return id
}

// doubtsOf returns why a value of a curve is uncertain.
func doubtsOf(c *pb.Curve, i uint32) (list []pb.QualityReason) {
	for _, d := range c.GetDoubts() {
		if d.GetFirst() <= i && i <= d.GetLast() {
			list = append(list, d.GetReason())
		}
	}
	return list
}

func valueOf(known bool, v float64) any {
	if !known {
		return nil
	}
	return v
}

func optional(v *float64) any {
	if v == nil {
		return nil
	}
	return *v
}

// word is the value of an enumeration as one word, first_crack; empty if it says
// nothing.
func word(e protoreflect.Enum) string {
	if e.Number() == 0 {
		return ""
	}
	return strings.ReplaceAll(show.Words(e), " ", "_")
}

func reasons(list []pb.QualityReason) string {
	words := make([]string, len(list))
	for i, r := range list {
		words[i] = word(r)
	}
	return strings.Join(words, " ")
}
