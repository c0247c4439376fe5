package book

import (
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// roast returns the roast that goes on in a run; nil if none does.
func (r *run) roast() *oneRoast {
	if x := r.station.roast; x != nil && x.run == r {
		return x
	}
	return nil
}

// takeUp lets the roast of an instrument's last run go on in its new one: the driver
// was restarted, and the beans are where they were.
func (b *Book) takeUp(r, was *run) {
	x := was.roast()
	switch {
	case x == nil:
		return
	case r.station != was.station || r.drum == nil:
		b.draftEnd(was, was.drum.last(), "its instrument came back without a bean probe in "+x.pb.GetStation())
		return
	}
	d := was.drum
	// By the wall clock, but for one that was set back: time does not run backwards in
	// a drum.
	offset := max(r.base.Sub(was.base).Seconds()+was.offset, d.now)
	b.follow(&pb.Entry{Body: &pb.Entry_RoastContinued{RoastContinued: &pb.RoastContinued{
		Roast: x.pb.GetRoast(), Instrument: r.pb.GetInstrument(), Run: r.pb.GetRun(),
		OffsetS: offset - x.first.offset, LastNumber: d.numberAt(was, d.now), MissingS: offset - d.last(),
	}}})
}

func (b *Book) roastContinued(m *pb.RoastContinued) {
	x, r := b.roasts[m.GetRoast()], b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	if x == nil || r == nil || r.drum == nil {
		return
	}
	r.drum, r.offset, x.run = x.run.drum, m.GetOffsetS()+x.first.offset, r
	x.parts = append(x.parts, r)
	x.about = append(x.about, b.last)
	r.takenUp = append(r.takenUp, x)
	x.pb.Parts = append(x.pb.Parts, &pb.RoastPart{Run: m.GetRun(), OffsetS: m.GetOffsetS(), MissingS: m.GetMissingS()})
	b.touch(x.sample)
}

// Span is where in the record the readings of a roast lie, and what makes one curve of
// them.
type Span struct {
	Instrument string
	// Cursors between which they lie, both included; 0 if it is not known.
	From, To uint64
	// Runs they are from, in order.
	Runs []RunSpan
	// Charge, and from when on readings tell what was before it, in seconds on the
	// clock of the drum.
	Charge, Begin float64
}

// RunSpan is one of the runs of a Span.
type RunSpan struct {
	Run string
	// Offset is what to add to the run's monotonic clock, to have it on the clock of
	// the drum, s.
	Offset float64
	// Bean is the channel of the bean probe.
	Bean string
}

// Of returns the run of a batch, if it is one of the span's.
func (s Span) Of(m *pb.ReadingBatch) (r RunSpan, ok bool) {
	for _, r := range s.Runs {
		if m.GetInstrument() == s.Instrument && m.GetRun() == r.Run {
			return r, true
		}
	}
	return RunSpan{}, false
}

// Span returns where the readings of a roast lie; the zero Span for an unknown one.
func (b *Book) Span(id string) Span {
	x := b.roasts[id]
	if x == nil {
		return Span{}
	}
	s := Span{Instrument: x.pb.GetInstrument(), From: x.from, To: x.to, Charge: x.charge, Begin: x.begin}
	if x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING {
		s.To = b.last
	}
	for _, r := range append([]*run{x.first}, x.parts...) {
		s.Runs = append(s.Runs, RunSpan{Run: r.pb.GetRun(), Offset: r.offset, Bean: r.bean()})
	}
	return s
}

// bean returns the channel of the run's bean probe.
func (r *run) bean() string {
	for _, c := range r.pb.GetChannels() {
		if ch := r.channels[c.GetName()]; ch.part && ch.role == roast.Bean {
			return c.GetName()
		}
	}
	return ""
}

// Wanting tells whether the book has let go of the bean curve of a roast that has
// ended.
func (b *Book) Wanting(id string) bool {
	x := b.roasts[id]
	return x != nil && len(x.trace.At) == 0 && x.pb.GetState() != pb.RoastState_ROAST_STATE_ROASTING
}

// Supply gives a roast the bean curve that it was wanting, in seconds on the clock of
// its drum, so that its findings can be made again.
func (b *Book) Supply(id string, trace roast.Trace) {
	if b.Wanting(id) {
		b.roasts[id].trace = trace
	}
}
