package calibrate_test

import (
	"fmt"
	"log"

	"github.com/evenbench/evenbench/internal/calibrate"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A probe in ice, in boiling water at 1600 m, and beside a better thermometer.
func Example() {
	probe := calibrate.Channel{Quantity: "temperature", Unit: "Cel", Low: -10, High: 300, Resolution: 0.1}
	var points []*pb.CalibrationPoint
	for i, p := range []*pb.CalibrationPoint{
		{Read: 0.8, Means: pb.ReferenceMeans_REFERENCE_MEANS_ICE},
		{Read: 95.4, Means: pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER, PressureKpa: 83.5},
		{Read: 201.3, Means: pb.ReferenceMeans_REFERENCE_MEANS_OTHER, Reference: 200.1, ReferenceUncertainty: 0.2},
	} {
		p, err := calibrate.Complete(p, probe, fmt.Sprintf("points[%d]", i))
		if err != nil {
			log.Fatal(err)
		}
		points = append(points, p)
	}
	c, concerns, err := calibrate.Make(calibrate.Plan{Channel: probe, Form: pb.CalibrationForm_CALIBRATION_FORM_LINE, Points: points})
	if err != nil {
		log.Fatal(err)
	}
	curve, err := calibrate.NewCurve(c)
	if err != nil {
		log.Fatal(err)
	}
	is := curve.At(150)
	fmt.Printf("150.0 °C is %.2f ± %.2f °C (95 %%); %d concerns\n", is.Value, calibrate.Expanded(is), len(concerns))
}
