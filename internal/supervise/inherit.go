package supervise

import (
	"context"
	"errors"
	"fmt"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// inherit goes on with the run that an earlier hub left open, if its driver
// still lives and is the one it should be. Otherwise it ends that driver and
// that run, and returns nil.
func (in *instrument) inherit() *life {
	a, err := readAttachment(in.place.attachment())
	if err != nil {
		in.log.Error("cannot find the driver of the hub before; it ends by itself", zap.Error(err))
		return nil
	}
	if a == nil {
		return nil
	}
	if a.opened.GetRun() == "" {
		in.bury(a, errors.New("the hub before ended while it opened the device"))
		return nil
	}
	last, open := in.recorder.Accounted(in.spec.Instrument, a.opened.GetRun())
	d, err := in.takeOver(a)
	if err != nil {
		in.log.Warn("the driver of the hub before is not kept", zap.Error(err))
		in.bury(a, err)
		return nil
	}
	l := newLife(in, d, a.opened, last)
	if open {
		return l
	}
	// The hub before ended between writing the attachment and recording the run.
	if in.insist(func(ctx context.Context) error { return in.recorder.OpenRun(ctx, a.opened) }) != nil {
		d.letGo()
		return nil
	}
	return l
}

// takeOver connects to the driver of an attachment if it may be kept.
func (in *instrument) takeOver(a *attachment) (*driver, error) {
	sum, err := in.digests.of(in.spec.Argv[0])
	switch {
	case err != nil:
		return nil, err
	case a.Executable != sum:
		return nil, errors.New("its executable has changed")
	case a.Fingerprint != in.spec.Fingerprint:
		return nil, errors.New("its settings have changed")
	case a.Contract != sdk.Contract:
		return nil, fmt.Errorf("it speaks version %d of the contract", a.Contract)
	}
	return attach(in.ctx, a)
}

// bury ends the process of an attachment, if it is still that process, and the
// run, if it is still open.
func (in *instrument) bury(a *attachment, why error) {
	if p, err := a.process(); err == nil {
		go p.watch(func() {})
		(&driver{link: &link{}, proc: p}).stop()
	}
	last, open := in.recorder.Accounted(in.spec.Instrument, a.opened.GetRun())
	if !open {
		_ = removeAttachment(in.place.attachment())
		return
	}
	l := newLife(in, nil, a.opened, last)
	text := "the hub ended, and its driver could not be kept: " + why.Error()
	l.closeRun(&pb.Gap{FirstNumber: last + 1, Reason: pb.GapReason_GAP_REASON_DRIVER_LOST, Detail: text}, text)
}
