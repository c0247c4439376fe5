package command

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/evenctl/internal/picture"
	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// calibrateFlags are how a calibration is made.
type calibrateFlags struct {
	file, pictures, since, until, why string
	confirm                           []string
	try, plunge                       bool
}

func (p *program) calibrate() *cobra.Command {
	var f calibrateFlags
	c := &cobra.Command{
		Use:   "calibrate [INSTRUMENT [CHANNEL]]",
		Short: "Calibrate an instrument, point by point, or from a file",
		Long: `calibrate takes points at which the true value is known (ice, boiling water,
weights, oven results, tiles, another instrument), shows what would come of them
and how sure it would be, and records the calibration when you say yes. It also
draws what is left at each point, as SVG and PNG.

From a file nothing is asked. It is YAML:

  instrument: drum-1-probes
  channel: bean
  form: line                     # offset, line, through-origin, quadratic, cubic
  until: 2027-05-01
  points:
    - {means: ice, read: 0.6}    # read: what it showed, uncorrected
    - {means: boiling-water, pressure_kpa: 83.1, readings: 1200-1260}
    - {means: other, name: "thermometer 7", reference: 150.2, uncertainty: 0.1, read: 151.3}
    - {means: other, name: "oil bath", reference: 180, uncertainty: 0.2, read: 186, left_out: "it boiled over"}
  plunge: 2400-2520              # readings of a plunge, for the time constant

uncertainty is one standard deviation. A weight needs none if it has a class
(OIML R 111): {means: weight, class: F1, reference: 100, read: 99.98}`,
		Example: `  evenctl calibrate
  evenctl calibrate drum-1-probes bean
  evenctl calibrate --file bean.yaml --try
  evenctl calibrate --file bean.yaml --confirm few_points,extrapolated`,
		Args:              arguments(0, 2, "at most an INSTRUMENT and a CHANNEL"),
		ValidArgsFunction: complete(p.meters(), complete()),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.calibrations()
			if err != nil {
				return err
			}
			if f.file != "" {
				return p.calibrateFromFile(c.Context(), client, f, args)
			}
			ctx, cancel := context.WithCancel(c.Context())
			defer cancel()
			g := &guide{program: p, dialog: p.talk(ctx), client: client, flags: f}
			return g.run(ctx, args)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.file, "file", "", "the calibration is in this `file`; ask nothing")
	fl.StringVar(&f.pictures, "pictures", ".", "`folder` for the pictures of what is left at each point; empty: none")
	fl.StringVar(&f.since, "since", "", "it counts from this `day` on, as 2026-11-20, and what was measured since is made anew; without it, from now on")
	fl.StringVar(&f.until, "until", "", "`day` until which it is valid")
	fl.StringVar(&f.why, "why", "", "reason, for the record")
	fl.StringSliceVar(&f.confirm, "confirm", nil, "what is unusual and known, by the `names` that the hub gave")
	fl.BoolVar(&f.plunge, "plunge", false, "take how fast a probe follows, and points only if you like")
	fl.BoolVar(&f.try, "try", false, "show what would come of it, and record nothing")
	return p.writes(c)
}

// timed gives a plan what the flags say of its time and reason.
func (p *program) timed(plan *pb.CalibrationPlan, f calibrateFlags) error {
	if from, err := p.day("--since", f.since, false); err != nil || from != nil {
		if err != nil {
			return err
		}
		plan.From = from
	}
	if until, err := p.day("--until", f.until, true); err != nil || until != nil {
		if err != nil {
			return err
		}
		plan.Until = until
	}
	if f.why != "" {
		plan.Reason = f.why
	}
	return nil
}

func (p *program) calibrateFromFile(ctx context.Context, client pb.CalibrationServiceClient, f calibrateFlags, args []string) error {
	plan, err := p.readPlan(f.file)
	if err != nil {
		return err
	}
	if len(args) > 0 && plan.GetInstrument() != args[0] || len(args) > 1 && plan.GetChannel() != args[1] {
		return usage("%s is of %s %s, and you named %s: leave it out", f.file, plan.GetInstrument(), plan.GetChannel(), strings.Join(args, " "))
	}
	if err := p.timed(plan, f); err != nil {
		return err
	}
	ctx = p.patient(ctx, true)
	tried, err := client.TryCalibration(ctx, &pb.TryCalibrationRequest{Plan: plan})
	if err != nil {
		return err
	}
	if !p.json {
		if err := p.style().Calibration(p.Out, tried); err != nil {
			return err
		}
	}
	if f.try {
		if p.json {
			return line(p.Out, tried)
		}
		return p.draw(tried, f.pictures)
	}
	made, err := client.MakeCalibration(ctx, &pb.MakeCalibrationRequest{RequestId: p.requestID(), Person: p.person, Plan: plan, Confirmed: f.confirm})
	if err != nil {
		return err
	}
	if err := p.done(made, "\nRecorded as %q, entry %d.", made.GetCalibration(), made.GetCursor()); err != nil {
		return err
	}
	tried.Calibration.Id = made.GetCalibration()
	return p.draw(tried, f.pictures)
}

// draw writes the pictures of a calibration into a folder.
func (p *program) draw(tried *pb.TryCalibrationResponse, folder string) error {
	if folder == "" || len(tried.GetCalibration().GetPoints()) == 0 {
		return nil
	}
	name := strings.Map(func(r rune) rune {
		if r == ' ' || r == '/' || r == '\\' || r == ':' {
			return '-'
		}
		return r
	}, tried.GetCalibration().GetId())
	for _, kind := range []string{".svg", ".png"} {
		path := filepath.Join(folder, name+kind)
		if err := picture.Residuals(path, tried); err != nil {
			return fmt.Errorf("draw %s: %w", path, err)
		}
		if !p.json {
			fmt.Fprintf(p.Out, "Drawn: %s\n", path)
		}
	}
	return nil
}

func (p *program) calibrationList() *cobra.Command {
	c := &cobra.Command{
		Use:               "calibrations [INSTRUMENT [CHANNEL]]",
		Short:             "List the calibrations that were made",
		Args:              arguments(0, 2, "at most an INSTRUMENT and a CHANNEL"),
		ValidArgsFunction: complete(p.meters(), complete()),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.calibrations()
			if err != nil {
				return err
			}
			req := &pb.ListCalibrationsRequest{}
			if len(args) > 0 {
				req.Instrument = args[0]
			}
			if len(args) > 1 {
				req.Channel = args[1]
			}
			r, err := client.ListCalibrations(c.Context(), req)
			if err != nil {
				return err
			}
			if p.json {
				return lines(p.Out, r.GetCalibrations())
			}
			return p.style().Calibrations(p.Out, r.GetCalibrations())
		},
	}
	return c
}

// forms are the forms that a person may choose from, with the points that each needs.
var forms = []struct {
	form   pb.CalibrationForm
	least  int
	reason string
}{
	{pb.CalibrationForm_CALIBRATION_FORM_LINE, 2, "offset and slope; the usual one"},
	{pb.CalibrationForm_CALIBRATION_FORM_OFFSET, 1, "the same is added everywhere"},
	{pb.CalibrationForm_CALIBRATION_FORM_THROUGH_ORIGIN, 1, "nothing stays nothing; for a scale that is tared"},
	{pb.CalibrationForm_CALIBRATION_FORM_QUADRATIC, 4, "a curve, where the rest of a line bends"},
	{pb.CalibrationForm_CALIBRATION_FORM_CUBIC, 5, "a curve that bends twice"},
}

// counted returns how many points count.
func counted(points []*pb.CalibrationPoint) int {
	n := 0
	for _, point := range points {
		if point.GetLeftOut() == "" {
			n++
		}
	}
	return n
}

// formName names a form as it is typed.
func formName(f pb.CalibrationForm) string { return show.Hyphened(f) }
