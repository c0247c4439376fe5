package hub

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/calibrate"
	"github.com/evenbench/evenbench/internal/lab"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// calibrationService makes calibrations and checks.
type calibrationService struct {
	pb.UnimplementedCalibrationServiceServer
	recorder    *recorder
	instruments *instrumentService
	// checks returns the checks that the lab file asks for of an instrument.
	checks func(instrument string) []lab.ChannelCheck
}

func (s *calibrationService) TryCalibration(ctx context.Context, r *pb.TryCalibrationRequest) (*pb.TryCalibrationResponse, error) {
	d, err := s.draw(ctx, r.GetPlan())
	if err != nil {
		return nil, err
	}
	answer := &pb.TryCalibrationResponse{Calibration: d.made, Concerns: d.concerns}
	var refusal error
	err = s.recorder.scribe.read(ctx, func(b *book.Book) {
		if refusal = d.complete(b, s.recorder.scribe.clock.Now()); refusal != nil || len(d.made.GetCoefficients()) == 0 {
			return
		}
		measurements, roasts := concerned(b, d)
		answer.Measurements, answer.Roasts = uint32(measurements), uint32(len(roasts))
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	answer.At, err = shown(d.made)
	return answer, err
}

// concerned returns what a draft would make anew: nothing, if it is valid from now on.
func concerned(b *book.Book, d *draft) (measurements int, roasts []string) {
	if d.plan.GetFrom() == nil {
		return 0, nil
	}
	return b.Concerned(proto.CloneOf(d.made))
}

// MakeCalibration holds back the readings of the instrument while it is recorded, so that
// each is made with the calibration before it or with this one, as the record has it.
func (s *calibrationService) MakeCalibration(ctx context.Context, r *pb.MakeCalibrationRequest) (*pb.MakeCalibrationResponse, error) {
	scribe, name := s.recorder.scribe, r.GetPlan().GetInstrument()
	d, err := s.draw(ctx, r.GetPlan())
	if err != nil {
		return nil, err
	}
	curves, err := s.curvesAnew(ctx, d)
	if err != nil {
		return nil, err
	}
	g := s.recorder.of(name)
	g.order.Lock()
	defer g.order.Unlock()
	e, err := scribe.take(ctx, r, func(b *book.Book, now time.Time) (*pb.Entry, error) {
		if err := first(d.complete(b, now), s.consent(d, r.GetConfirmed())); err != nil {
			return nil, err
		}
		if roast := b.RoastBy(name, d.made.GetChannel()); roast != "" && len(d.made.GetCoefficients()) > 0 {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_ROASTING,
				"instrument: roast %s goes on, and is followed on %s: half of its curve would be another's; calibrate after the drop", roast, d.made.GetChannel())
		}
		for id, curve := range curves {
			b.Lend(id, curve)
		}
		return &pb.Entry{Body: &pb.Entry_CalibrationMade{CalibrationMade: &pb.CalibrationMade{
			Calibration: d.made, Reason: r.GetPlan().GetReason(),
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	s.recorder.holdAnew(name)
	return &pb.MakeCalibrationResponse{Calibration: e.GetCalibrationMade().GetCalibration().GetId(), Cursor: e.GetCursor()}, nil
}

// consent refuses a draft with concerns that the person has not confirmed, and notes those
// that it has.
func (s *calibrationService) consent(d *draft, confirmed []string) error {
	open := map[string]string{}
	d.made.Confirmed = nil
	for _, c := range d.concerns {
		if slices.Contains(confirmed, c.GetCode()) {
			d.made.Confirmed = append(d.made.Confirmed, c)
		} else {
			open[c.GetCode()] = c.GetText()
		}
	}
	if len(open) == 0 {
		return nil
	}
	var texts []string
	for _, code := range slices.Sorted(maps.Keys(open)) {
		texts = append(texts, code+": "+open[code])
	}
	st := status.Newf(codes.FailedPrecondition, "this calibration is unusual, and is not made before that is confirmed:\n%s", strings.Join(texts, "\n"))
	detailed, err := st.WithDetails(&errdetails.ErrorInfo{Domain: errorDomain, Reason: "CONFIRMATION_NEEDED", Metadata: open})
	if err != nil {
		return st.Err()
	}
	return detailed.Err()
}

func (s *calibrationService) ListCalibrations(ctx context.Context, r *pb.ListCalibrationsRequest) (*pb.ListCalibrationsResponse, error) {
	answer := &pb.ListCalibrationsResponse{}
	err := s.recorder.scribe.read(ctx, func(b *book.Book) {
		answer.Calibrations = b.Calibrations(r.GetInstrument(), r.GetChannel())
	})
	return answer, err
}

// mostLatest bounds ReadMean.
const mostLatest, someLatest = 1000, 20

func (s *calibrationService) ReadMean(ctx context.Context, r *pb.ReadMeanRequest) (*pb.ReadMeanResponse, error) {
	c, err := s.normal(r.GetInstrument(), r.GetChannel())
	if err != nil {
		return nil, err
	}
	latest := int(r.GetLatest())
	switch {
	case latest > mostLatest:
		return nil, invalid("latest", "is %d; at most %d are taken", latest, mostLatest)
	case latest == 0:
		latest = someLatest
	}
	run, unit, list, err := s.recorder.scribe.look(ctx, span{r.GetInstrument(), r.GetChannel(), r.GetRun(), r.GetFirstNumber(), r.GetLastNumber()}, "")
	if err != nil {
		return nil, err
	}
	if r.GetLastNumber() == 0 {
		_, values := columns(list)
		list = list[max(calibrate.Resting(values, c.Resolution), len(list)-latest):]
	}
	answer := &pb.ReadMeanResponse{Run: run, Unit: unit, Readings: uint32(len(list))}
	if len(list) == 0 {
		return answer, nil
	}
	if answer.Mean, answer.Sd, answer.StandardUncertainty, err = meanOf(list, c.Resolution); err != nil {
		return nil, invalid("first_number", "%v", err)
	}
	answer.FirstNumber, answer.LastNumber = list[0].number, list[len(list)-1].number
	times, values := columns(list)
	answer.Values = values
	for _, x := range list {
		answer.Times = append(answer.Times, stamped(x.at))
	}
	answer.Settled = !list[len(list)-1].unsettled && (c.Rest > 0 || len(c.Unsettled) > 0 || c.GetKind() == pb.ChannelKind_CHANNEL_KIND_SPOT || calibrate.Settled(times, values, c.Resolution))
	return answer, nil
}

// checkOf returns a check of the lab file by its name, and by its channel where two have
// the same name.
func (s *calibrationService) checkOf(r *pb.CheckInstrumentRequest) (lab.ChannelCheck, error) {
	if err := s.instruments.checkNames([]string{r.GetInstrument()}); err != nil {
		return lab.ChannelCheck{}, err
	}
	var found []lab.ChannelCheck
	var all []string
	for _, c := range s.checks(r.GetInstrument()) {
		all = append(all, fmt.Sprintf("%q of %s", c.Name, c.Channel))
		if c.Name == r.GetCheck() && (r.GetChannel() == "" || r.GetChannel() == c.Channel) {
			found = append(found, c)
		}
	}
	switch len(found) {
	case 0:
		return lab.ChannelCheck{}, invalid("check", "the lab file has no check %q of %s; %s", r.GetCheck(), r.GetInstrument(), names(all))
	case 1:
		return found[0], nil
	}
	return lab.ChannelCheck{}, invalid("channel", "is missing: there is more than one check %q of %s: %s", r.GetCheck(), r.GetInstrument(), strings.Join(all, ", "))
}
