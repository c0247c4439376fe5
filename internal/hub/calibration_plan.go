package hub

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/calibrate"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// draft is a calibration as it comes out of a plan, before it has its time and place in
// the record.
type draft struct {
	plan     *pb.CalibrationPlan
	made     *pb.Calibration
	concerns []*pb.CalibrationConcern
}

// draw makes a calibration of a plan.
func (s *calibrationService) draw(ctx context.Context, p *pb.CalibrationPlan) (*draft, error) {
	channel, err := s.channel(p.GetInstrument(), p.GetChannel())
	if err != nil {
		return nil, err
	}
	d := &draft{plan: p}
	if len(p.GetPoints()) == 0 && p.GetPlungeLastNumber() != 0 {
		d.made = &pb.Calibration{Unit: channel.Unit}
	} else if err := s.fit(ctx, d, channel); err != nil {
		return nil, err
	}
	if p.GetPlungeLastNumber() != 0 {
		if d.made.Response, err = s.response(ctx, p); err != nil {
			return nil, err
		}
	}
	d.made.Instrument, d.made.Channel = p.GetInstrument(), p.GetChannel()
	return d, first(checkText("id", p.GetId(), longestName), checkText("reason", p.GetReason(), longestText))
}

// channel returns what has to be known of a channel to calibrate it.
func (s *calibrationService) channel(instrument, name string) (calibrate.Channel, error) {
	c, err := s.normal(instrument, name)
	if err != nil {
		return calibrate.Channel{}, err
	}
	return calibrate.Channel{
		Quantity: c.GetQuantity(), Unit: c.GetUnit(), Low: c.GetLow(), High: c.GetHigh(), Resolution: c.Resolution,
	}, nil
}

// normal returns how a channel that says numbers is normalized.
func (s *calibrationService) normal(instrument, name string) (*normalize.Channel, error) {
	if err := s.instruments.checkNames([]string{instrument}); err != nil {
		return nil, err
	}
	var all []string
	channels := s.recorder.channels(instrument)
	for i := range channels {
		if channels[i].GetUnit() == "" {
			continue
		}
		if channels[i].GetName() == name {
			return &channels[i], nil
		}
		all = append(all, channels[i].GetName())
	}
	return nil, invalid("channel", "%s has no channel %q that says numbers; %s", instrument, name, names(all))
}

// fit makes the correction of a draft.
func (s *calibrationService) fit(ctx context.Context, d *draft, c calibrate.Channel) error {
	p := d.plan
	if len(p.GetPoints()) > calibrate.MostPoints {
		return invalid("points", "are %d; at most %d are taken", len(p.GetPoints()), calibrate.MostPoints)
	}
	plan := calibrate.Plan{Channel: c, Form: p.GetForm(), Low: p.Low, High: p.High, ResidualLimit: p.GetResidualLimit()}
	var moving []string
	for i, given := range p.GetPoints() {
		field := fmt.Sprintf("points[%d]", i)
		if err := first(checkText(field+".name", given.GetName(), longestName), checkText(field+".left_out", given.GetLeftOut(), longestText)); err != nil {
			return err
		}
		point, err := calibrate.Complete(given, c, field)
		if err != nil {
			return refusedPlan(err)
		}
		unsettled, err := s.read(ctx, d.plan, point, c, field+".")
		if err != nil {
			return err
		}
		if unsettled {
			moving = append(moving, fmt.Sprint(i+1))
		}
		plan.Points = append(plan.Points, point)
	}
	var err error
	if d.made, d.concerns, err = calibrate.Make(plan); err != nil {
		return refusedPlan(err)
	}
	if len(moving) > 0 {
		d.concerns = append(d.concerns, &pb.CalibrationConcern{Code: "unsettled", Text: fmt.Sprintf(
			"the readings of point %s were still moving: wait until they rest, and take it again", strings.Join(moving, " and "))})
	}
	return nil
}

// refusedPlan turns what is wrong with a plan into the answer.
func refusedPlan(err error) error {
	var field *calibrate.FieldError
	if errors.As(err, &field) {
		return invalid(field.Field, "%s", field.Text)
	}
	return err
}

// read fills a point with the mean of its readings, if it names some, and tells whether
// they were still moving.
func (s *calibrationService) read(ctx context.Context, p *pb.CalibrationPlan, point *pb.CalibrationPoint, c calibrate.Channel, field string) (unsettled bool, err error) {
	if point.GetLastNumber() == 0 {
		if point.GetRun() != "" {
			return false, invalid(field+"last_number", "is missing: name readings of run %s, or leave the run out", point.GetRun())
		}
		return false, nil
	}
	run, _, list, err := s.recorder.scribe.look(ctx, span{p.GetInstrument(), p.GetChannel(), point.GetRun(), point.GetFirstNumber(), point.GetLastNumber()}, field)
	if err != nil {
		return false, err
	}
	if len(list) == 0 {
		return false, refuse(pb.ErrorReason_ERROR_REASON_READINGS_UNKNOWN,
			"%sfirst_number: none of the readings %d to %d is a usable one of %s", field, point.GetFirstNumber(), point.GetLastNumber(), p.GetChannel())
	}
	if point.Read, _, point.ReadUncertainty, err = meanOf(list, c.Resolution); err != nil {
		return false, invalid(field+"first_number", "%v", err)
	}
	point.Run, point.Readings = run, uint32(len(list))
	return moves(list, c.Resolution), nil
}

// moves tells whether readings have not come to rest.
func moves(list []looked, resolution float64) bool {
	times, values := columns(list)
	return list[len(list)-1].unsettled || len(list) > 4 && !calibrate.Settled(times, values, resolution)
}

// response finds how fast a probe follows in the readings of a plunge.
func (s *calibrationService) response(ctx context.Context, p *pb.CalibrationPlan) (*pb.ProbeResponse, error) {
	run, _, list, err := s.recorder.scribe.look(ctx,
		span{p.GetInstrument(), p.GetChannel(), p.GetPlungeRun(), p.GetPlungeFirstNumber(), p.GetPlungeLastNumber()}, "plunge_")
	if err != nil {
		return nil, err
	}
	r, err := calibrate.Response(columns(list))
	if err != nil {
		return nil, invalid("plunge_first_number", "%v", err)
	}
	r.Run, r.FirstNumber, r.LastNumber = run, p.GetPlungeFirstNumber(), p.GetPlungeLastNumber()
	return r, nil
}

// complete gives a draft its name, device and time, as the book has it now.
func (d *draft) complete(b *book.Book, now time.Time) error {
	p, c := d.plan, d.made
	from, err := when("from", p.GetFrom(), now)
	if err != nil {
		return err
	}
	if from.After(now) {
		from = now
	}
	if p.GetUntil() != nil {
		if err := p.GetUntil().CheckValid(); err != nil {
			return invalid("until", "is no time: %v", err)
		}
		if !p.GetUntil().AsTime().After(now) {
			return invalid("until", "%s is over: state when it is to be made again", p.GetUntil().AsTime().Format(time.DateOnly))
		}
		c.Until = p.GetUntil()
	}
	device := b.Device(p.GetInstrument())
	if device.Answers != device.Own {
		return refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_REFUSED,
			"instrument: %q answers, and %s was %q: adopt it first, or put the other back", device.Answers, p.GetInstrument(), device.Own)
	}
	c.From, c.DeviceIdentity, c.Id = timestamppb.New(from), device.Own, p.GetId()
	if c.Id == "" {
		c.Id = b.FreeCalibration(p.GetInstrument(), p.GetChannel(), now.UTC().Format(time.DateOnly))
	}
	if b.HasCalibration(c.GetId()) {
		return invalid("id", "there is a calibration %q already: choose another name", c.GetId())
	}
	if was, _ := b.InForce(p.GetInstrument(), p.GetChannel(), "", now); was != nil {
		c.Replaces = was.GetId()
	}
	return nil
}

// atSteps is at how many places a calibration is shown over its range.
const atSteps = 20

// shown returns a calibration at its points and over its range.
func shown(c *pb.Calibration) ([]*pb.CalibrationAt, error) {
	if len(c.GetCoefficients()) == 0 {
		return nil, nil
	}
	k, err := calibrate.NewCurve(c)
	if err != nil {
		return nil, err
	}
	var list []*pb.CalibrationAt
	at := func(x float64) {
		e := k.At(x)
		list = append(list, &pb.CalibrationAt{
			X: x, Value: e.Value, StandardUncertainty: e.Standard, ExpandedUncertainty: calibrate.Expanded(e),
		})
	}
	low, high := c.GetLow(), c.GetHigh()
	for _, p := range c.GetPoints() {
		low, high = math.Min(low, p.GetRead()), math.Max(high, p.GetRead())
	}
	for i := range atSteps + 1 {
		at(low + (high-low)*float64(i)/atSteps)
	}
	return list, nil
}
