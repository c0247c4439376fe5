package drivertest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/structpb"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// try tries some of the contract's MUSTs on a driver with nothing open. What it
// returns is why it could not decide them all.
type try struct {
	ids []string
	// The driver must be a process; the device must be able to give readings.
	process, say bool
	run          func(*trial) error
}

// tries in the order in which they are made: what others rely on comes first.
var tries = []try{
	{ids: []string{"EB-D-01", "EB-D-04", "EB-D-08", "EB-D-09"}, process: true, run: func(t *trial) error { _, err := t.ready(); return err }},
	{ids: []string{"EB-D-10", "EB-D-11", "EB-D-12"}, run: tryIdentify},
	{ids: []string{"EB-D-07"}, process: true, run: tryByHand},
	{ids: []string{"EB-D-20"}, run: trySettings},
	{ids: []string{"EB-D-22", "EB-D-25", "EB-D-50", "EB-D-51"}, run: tryReopen},
	{ids: []string{"EB-D-36"}, run: tryOtherRun},
	{ids: []string{"EB-D-33"}, run: trySecondSession},
	{ids: []string{"EB-D-40"}, run: tryAct},
	{ids: []string{"EB-D-30", "EB-D-37", "EB-D-38"}, say: true, run: tryNumbers},
	{ids: []string{"EB-D-31", "EB-D-32"}, say: true, run: tryResume},
	{ids: []string{"EB-D-39"}, say: true, run: tryCancel},
	{ids: []string{"EB-D-34"}, say: true, run: tryUnacknowledged},
	{ids: []string{"EB-D-60"}, say: true, run: tryAcknowledged},
	{ids: []string{"EB-D-32"}, say: true, run: tryOverflow},
	{ids: []string{"EB-D-35"}, say: true, run: trySize},
	{ids: []string{"EB-D-26"}, say: true, run: tryClock},
	{ids: []string{"EB-D-24"}, say: true, run: tryGarbage},
	{ids: []string{"EB-D-21"}, run: tryNoDevice},
	{ids: []string{"EB-D-23"}, run: tryDeviceGone},
	{ids: []string{"EB-D-52", "EB-D-53"}, say: true, run: tryClose},
	{ids: []string{"EB-D-02"}, process: true, run: tryNoReader},
	{ids: []string{"EB-D-05", "EB-D-06"}, process: true, run: tryTerminate},
	{ids: []string{"EB-D-03"}, run: tryLease},
}

// identify asks the driver who it is, more than once where it is slow: what counts is
// the fastest answer, as the machine may be busy.
func (t *trial) identify(d *driver, when string) error {
	limit, best := t.within(time.Second), time.Duration(0)
	var who *pb.IdentifyResponse
	for range 3 {
		ctx, cancel := context.WithTimeout(t.ctx, limit)
		began := time.Now()
		r, err := d.Identify(ctx, &pb.IdentifyRequest{})
		cancel()
		if err == nil {
			who, best = r, time.Since(began)
			break
		}
		if status.Code(err) != codes.DeadlineExceeded {
			return fmt.Errorf("identify %s: %w", when, err)
		}
	}
	if who == nil {
		t.fails("EB-D-10", "no answer within %v %s, three times", limit, when)
		return errors.New("the driver did not answer Identify")
	}
	t.who = who
	t.holds("EB-D-10", "in %v %s", best.Round(time.Millisecond), when)
	return nil
}

func tryIdentify(t *trial) error {
	d, err := t.ready()
	if err != nil {
		return err
	}
	if err := t.identify(d, "with nothing open"); err != nil {
		return err
	}
	if got := t.who.GetNonce(); got != d.nonce {
		t.fails("EB-D-11", "it returned %q, and was given %q", got, d.nonce)
	} else {
		t.holds("EB-D-11", "%s", got)
	}
	if got := t.who.GetContract(); got != sdk.Contract {
		t.fails("EB-D-12", "it says version %d; this suite is of version %d", got, sdk.Contract)
	} else {
		t.holds("EB-D-12", "version %d", got)
	}
	if _, err := t.open(d); err != nil {
		return nil // others say so
	}
	_ = t.identify(d, "with a device open")
	return nil
}

// request is an Open request.
func request(sheet, link map[string]any) (*pb.OpenRequest, error) {
	s, err := structpb.NewStruct(sheet)
	if err != nil {
		return nil, fmt.Errorf("hand the sheet to the driver: %w", err)
	}
	l, err := structpb.NewStruct(link)
	if err != nil {
		return nil, fmt.Errorf("hand the link to the driver: %w", err)
	}
	return &pb.OpenRequest{Instrument: "conformance", Sheet: s, Link: l}, nil
}

// trySettings gives the driver links and sheets that cannot be used. A driver need
// not read all of them, so that one that is refused is enough.
func trySettings(t *trial) error {
	d, err := t.ready()
	if err != nil {
		return err
	}
	type bad struct {
		what, name  string
		sheet, link map[string]any
	}
	list := []bad{{"a sheet whose channels are 17", "channels", changed(t.o.Sheet, "channels", 17), t.o.Device.Link}}
	for key := range t.o.Device.Link {
		list = append(list, bad{"a link whose " + key + " is a list", key, t.o.Sheet, changed(t.o.Device.Link, key, []any{"nonsense"})},
			bad{"a link without " + key, key, t.o.Sheet, changed(t.o.Device.Link, key, nil)})
	}
	var took, refused []string
	for _, b := range list {
		q, err := request(b.sheet, b.link)
		if err != nil {
			return err
		}
		_, err = d.Open(t.ctx, q)
		text := status.Convert(err).Message()
		switch {
		case err == nil:
			took = append(took, b.what)
			t.tidy()
			if d, err = t.ready(); err != nil {
				return err
			}
		case status.Code(err) != codes.InvalidArgument:
			t.fails("EB-D-20", "%s was answered with %v: %s", b.what, status.Code(err), text)
		case !strings.Contains(text, b.name) && !strings.Contains(text, "link") && !strings.Contains(text, "sheet"):
			t.fails("EB-D-20", "%s was answered with %q, which does not name it", b.what, text)
		default:
			refused = append(refused, fmt.Sprintf("%.70q", text))
		}
	}
	if refused == nil {
		t.fails("EB-D-20", "it took %s", strings.Join(took, "; "))
	} else {
		t.holds("EB-D-20", "%s", refused[len(refused)-1])
	}
	return nil
}

// changed returns m with another value of a key, or without it.
func changed(m map[string]any, key string, value any) map[string]any {
	out := map[string]any{}
	for k, v := range m {
		out[k] = v
	}
	if out[key] = value; value == nil {
		delete(out, key)
	}
	return out
}

func tryReopen(t *trial) error {
	d, err := t.ready()
	if err != nil {
		return err
	}
	if _, err := t.close(d); err != nil && !t.failed("EB-D-50") {
		t.fails("EB-D-51", "Close with nothing open: %v", err)
	}
	run, err := t.open(d)
	if err != nil {
		return err
	}
	q, err := request(t.o.Sheet, t.o.Device.Link)
	if err != nil {
		return err
	}
	_, err = d.Open(t.ctx, q)
	if status.Code(err) != codes.FailedPrecondition {
		t.fails("EB-D-22", "the second Open was answered with %v", err)
	} else if s, err := t.resume(d, run, 0); err != nil {
		t.fails("EB-D-22", "after a second Open the first run is gone: %v", err)
	} else {
		s.cancel()
		t.holds("EB-D-22", "it was refused, and the run goes on")
	}
	if _, err := t.close(d); err != nil {
		return fmt.Errorf("close: %w", err)
	}
	if _, err := t.close(d); err != nil && !t.failed("EB-D-50") {
		t.fails("EB-D-51", "Close after Close: %v", err)
	}
	if _, err := t.open(d); err != nil {
		t.fails("EB-D-51", "Open after Close: %v", err)
	}
	t.holds("EB-D-51", "closed twice before and once after a run, and opened again")
	return nil
}

func tryOtherRun(t *trial) error {
	d, err := t.ready()
	if err != nil {
		return err
	}
	if _, err := t.open(d); err != nil {
		return err
	}
	s, err := t.session(d, &pb.OpenResponse{Run: "no-run-of-this-name"}, 0)
	if err != nil {
		return err
	}
	defer s.cancel()
	s.blind = true
	switch err := s.ends(); {
	case errors.Is(err, errSlow):
		t.fails("EB-D-36", "it was not refused")
	case status.Code(err) != codes.NotFound:
		t.fails("EB-D-36", "it was answered with %v", err)
	default:
		t.holds("EB-D-36", "%s", status.Convert(err).Message())
	}
	return nil
}

func trySecondSession(t *trial) error {
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	one, err := t.resume(d, run, 0)
	if err != nil {
		return err
	}
	defer one.cancel()
	two, err := t.resume(d, run, one.last)
	if err != nil {
		t.fails("EB-D-33", "the second Session was refused: %v", err)
		return nil
	}
	defer two.cancel()
	if err := one.ends(); errors.Is(err, errSlow) {
		t.fails("EB-D-33", "the first goes on")
	} else {
		t.holds("EB-D-33", "the first ended with %v", status.Code(err))
	}
	return nil
}

// tryAct asks for what the driver does not say that it knows.
func tryAct(t *trial) error {
	d, err := t.ready()
	if err != nil {
		return err
	}
	if t.who == nil {
		return errors.New("the driver did not say which actions it knows")
	}
	if _, err := t.open(d); err != nil {
		return err
	}
	known := map[pb.Action]bool{}
	for _, a := range t.who.GetActions() {
		known[a] = true
	}
	for _, a := range []pb.Action{pb.Action_ACTION_TARE, pb.Action_ACTION_ZERO, pb.Action_ACTION_MEASURE, pb.Action_ACTION_ENTER} {
		if known[a] {
			continue
		}
		if _, err := d.Act(t.ctx, &pb.ActRequest{Action: a}); status.Code(err) != codes.Unimplemented {
			t.fails("EB-D-40", "%v, which Identify does not name, was answered with %v", a, err)
		} else {
			t.holds("EB-D-40", "%v was refused", a)
		}
	}
	return errors.New("the driver knows every action")
}
