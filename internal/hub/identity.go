package hub

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Identified implements supervise.Recorder. It records which device answers, when that
// is news: the first that an instrument is seen with is its own from then on, unless
// the lab file states another.
func (r *recorder) Identified(instrument, run, identity string) {
	s, g := r.scribe, r.of(instrument)
	s.mu.Lock()
	known := s.book.Device(instrument)
	expected := cmp.Or(r.stated(instrument), known.Own)
	own := cmp.Or(expected, identity)
	if identity != "" && known != (book.Device{Own: own, Answers: identity, Run: run}) {
		s.enter(&pb.Entry{Actor: actorDriver, Body: &pb.Entry_InstrumentIdentified{InstrumentIdentified: &pb.InstrumentIdentified{
			Instrument: instrument, Run: run, Identity: identity, Expected: expected,
		}}}, ignore)
	}
	g.know(identity, own)
	s.mu.Unlock()
	r.holdSafely(instrument)
	if g.device() == normalize.Foreign {
		r.log.Error("another device answers: its readings are kept, and are no sample's",
			zap.String("instrument", instrument), zap.String("expected", own), zap.String("answers", identity))
	}
}

// know notes which device answers, and which should.
func (g *gauge) know(answers, own string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.answers, g.own = answers, own
}

// device judges the device that answers.
func (g *gauge) device() normalize.Device {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.judge()
}

// judge is device for those who hold mu.
func (g *gauge) judge() normalize.Device {
	switch g.answers {
	case g.own:
		return normalize.Own
	case "":
		return normalize.Unidentified
	}
	return normalize.Foreign
}

// quarantine shows in an instrument's status that another device answers. It is called
// with mu held.
func (g *gauge) quarantine(st *pb.InstrumentStatus) {
	st.ExpectedIdentity = g.own
	if g.judge() != normalize.Foreign {
		return
	}
	switch st.GetState() {
	case pb.InstrumentState_INSTRUMENT_STATE_MEASURING, pb.InstrumentState_INSTRUMENT_STATE_SILENT:
		st.State = pb.InstrumentState_INSTRUMENT_STATE_QUARANTINED
		st.Detail = fmt.Sprintf("%q answers, and %s was %q: put that back, or take the new one for it with: evenctl instruments adopt %s",
			g.answers, st.GetInstrument(), g.own, st.GetInstrument())
	}
}

// AdoptInstrument records that a person takes the device that answers for the
// instrument's own.
func (s *instrumentService) AdoptInstrument(ctx context.Context, r *pb.AdoptInstrumentRequest) (*pb.AdoptInstrumentResponse, error) {
	name := r.GetInstrument()
	if err := s.checkNames([]string{name}); err != nil {
		return nil, err
	}
	e, err := s.recorder.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		if err := checkText("reason", r.GetReason(), longestText); err != nil {
			return nil, err
		}
		d, stated := b.Device(name), s.recorder.stated(name)
		switch {
		case stated != "":
			return nil, refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_REFUSED,
				"instrument: the lab file states that %s is %q: write the new identity there, and reload it", name, stated)
		case d.Answers == d.Own:
			return nil, refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_REFUSED,
				"instrument: %s answers as it is known, %q: there is nothing to adopt", name, d.Own)
		case r.GetIdentity() != d.Answers:
			return nil, invalid("identity", "is %q, and %s answers as %q: look again which device it is", r.GetIdentity(), name, d.Answers)
		}
		return &pb.Entry{Body: &pb.Entry_InstrumentAdopted{InstrumentAdopted: &pb.InstrumentAdopted{
			Instrument: name, Identity: d.Answers, Was: d.Own, Reason: r.GetReason(),
		}}}, nil
	})
	if err != nil {
		return nil, err
	}
	s.recorder.recall(name)
	s.recorder.holdSafely(name)
	return &pb.AdoptInstrumentResponse{Cursor: e.GetCursor()}, nil
}

// recall takes from the book which device is the instrument's.
func (r *recorder) recall(instrument string) {
	r.scribe.mu.RLock()
	defer r.scribe.mu.RUnlock()
	own := cmp.Or(r.stated(instrument), r.scribe.book.Device(instrument).Own)
	g := r.of(instrument)
	g.mu.Lock()
	defer g.mu.Unlock()
	g.own = own
}
