package book

import (
	"cmp"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// MethodPerson is the method of a mark that a person set.
const MethodPerson = roast.MethodPerson

func (b *Book) roastOpened(m *pb.RoastOpened) {
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	if r == nil || r.drum == nil {
		return
	}
	d := r.drum
	if m.GetMethod() == MethodPerson {
		b.lookAgain(d) // for a charge that nobody else saw
	}
	x := &oneRoast{
		pb: &pb.Roast{
			Roast: m.GetRoast(), Station: m.GetStation(), ChargedAt: m.GetChargedAt(),
			State: pb.RoastState_ROAST_STATE_ROASTING, Instrument: m.GetInstrument(), Run: m.GetRun(),
			FirstNumber: m.GetFirstNumber(), Air: b.air(),
		},
		sample: b.samples[m.GetSample()], station: r.station, first: r, run: r,
		charge: r.elapsed(m.GetChargedAt().AsTime()), marks: roast.Marks{}, about: []uint64{b.last},
	}
	x.begin = x.charge - leadSeconds
	x.from = r.cursorOf(b.numberBefore(d, r, x.begin))
	b.roasts[m.GetRoast()] = x
	if r.charged = append(r.charged, x); len(r.charged) > 1 && r.charged[len(r.charged)-2].pb.GetFirstNumber() > m.GetFirstNumber() {
		r.order()
	}
	b.roastsNamed = max(b.roastsNamed, len(b.roasts))
	r.station.roast = x
	mark := &pb.MarkSet{
		Roast: m.GetRoast(), Kind: pb.MarkKind_MARK_KIND_CHARGE, At: m.GetChargedAt(), BeanCel: m.BeanCel, Method: m.GetMethod(),
	}
	var since []roast.Event // found in the readings since a charge that was marked late
	if m.GetMethod() == MethodPerson {
		d.roast = m.GetRoast()
		d.found = roast.Event{What: roast.Charged, At: x.charge}
		since = b.tellTracker(d, mark, x.charge)
	}
	if d.trim(x.begin); b.skims {
		d.roast = m.GetRoast()
		d.pending.items = append(d.pending.items, happened{what: wasOpened, at: x.charge, cel: m.GetBeanCel(), person: m.GetMethod() == MethodPerson})
	}
	b.follow(&pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: mark}})
	b.placeCharged(x)
	for _, e := range since {
		b.roastEvent(r, e)
	}
}

// placeCharged drafts that the sample of a new roast is in its drum.
func (b *Book) placeCharged(x *oneRoast) {
	if x.sample == nil {
		b.flag(&pb.FlagRaised{
			Code: pb.FlagCode_FLAG_CODE_EMPTY_QUEUE, Station: x.pb.GetStation(), Instrument: x.pb.GetInstrument(), Roast: x.pb.GetRoast(),
			Text: fmt.Sprintf("%s was charged with no sample in its queue: assign the readings of roast %s to the sample that is in it", x.pb.GetStation(), x.pb.GetRoast()),
		})
		return
	}
	x.sample.roasts = append(x.sample.roasts, x)
	x.sample.record.Roasts = append(x.sample.record.Roasts, x.pb)
	b.touch(x.sample)
	if b.charged[x.station] == 0 {
		b.charged[x.station] = 1 // it leaves the queue with the placement
	}
	b.follow(&pb.Entry{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{
		Station: x.pb.GetStation(), Sample: x.sample.record.GetSample(), At: x.pb.GetChargedAt(),
		By: pb.PlacementMeans_PLACEMENT_MEANS_CHARGE, Instrument: x.pb.GetInstrument(),
	}}})
}

// leadSeconds is how much of the time before the charge is kept with a roast: what
// the probe showed before the beans cooled it.
const leadSeconds = 60

// kept returns the readings of the bean probe that are kept.
func (d *drum) kept() roast.Trace {
	t := roast.Trace{Standard: d.probe}
	for _, p := range d.trace {
		t.At, t.Cel = append(t.At, p.at), append(t.Cel, p.cel)
	}
	return t
}

// trim lets go of the points before a time.
func (d *drum) trim(begin float64) {
	i, _ := d.search(begin)
	d.trace = append(d.trace[:0], d.trace[i:]...)
}

func (b *Book) markSet(e *pb.Entry, m *pb.MarkSet) {
	x := b.roasts[m.GetRoast()]
	if x == nil {
		return
	}
	x.about = append(x.about, b.last)
	if e.GetCause() != 0 && m.GetReplaces() != 0 {
		b.markedAnew(e, x, m)
		return
	}
	if m.GetWithdrawn() || m.GetReplaces() != 0 {
		b.lookAgain(x.run.drum)
	}
	old := ""
	if at, set := x.marks[m.GetKind()]; set {
		old = elapsedText(at - x.charge)
	}
	x.pb.Marks = slices.DeleteFunc(x.pb.Marks, func(k *pb.Mark) bool { return k.GetKind() == m.GetKind() })
	delete(x.marks, m.GetKind())
	if m.GetReplaces() != 0 && x.sample != nil {
		x.sample.record.Corrections = append(x.sample.record.Corrections, x.markCorrection(e, m, old))
	}
	if !m.GetWithdrawn() {
		x.marks[m.GetKind()] = x.run.elapsed(m.GetAt().AsTime())
		mark := &pb.Mark{
			Kind: m.GetKind(), At: m.GetAt(), BeanCel: m.BeanCel, Method: m.GetMethod(), Actor: e.GetActor(), Person: e.GetPerson(), Cursor: e.GetCursor(),
		}
		x.pb.Marks = append(x.pb.Marks, mark)
		if m.GetMethod() != MethodPerson {
			x.found = append(x.found, &pb.Mark{Kind: m.GetKind(), At: m.GetAt(), Method: m.GetMethod()})
		}
	}
	if m.GetKind() == pb.MarkKind_MARK_KIND_CHARGE && !m.GetWithdrawn() {
		x.charge = x.marks[m.GetKind()]
		x.pb.ChargedAt = m.GetAt()
		if d := x.run.drum; d.roast == m.GetRoast() && m.GetReplaces() != 0 {
			x.pb.FirstNumber = d.numberAt(x.first, x.charge)
			x.first.order()
		}
	}
	x.orderMarks()
	b.touch(x.sample)
	b.refindRoast(x)
	d := x.run.drum
	first := m.GetKind() == pb.MarkKind_MARK_KIND_CHARGE && m.GetReplaces() == 0 // told as the roast was opened
	if m.GetMethod() == MethodPerson && !first && (d.roast == m.GetRoast() || d.roast == "" && d.ended == x) {
		b.tellTracker(d, m, x.marks[m.GetKind()])
	}
	if m.GetKind() != pb.MarkKind_MARK_KIND_DROP {
		return
	}
	switch roasting := x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING; {
	case roasting && !m.GetWithdrawn():
		if d.roast == m.GetRoast() {
			d.roast = ""
		}
		b.follow(&pb.Entry{Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{
			Roast: m.GetRoast(), LastNumber: d.numberAt(x.run, x.marks[m.GetKind()]),
		}}})
	case !roasting && !m.GetWithdrawn():
		// A roast that was given up had a drop after all.
		x.pb.State = pb.RoastState_ROAST_STATE_DROPPED
	case !roasting && d.roast == "" && d.ended == x && !x.run.closed:
		b.reopen(x)
	}
}

// tellTracker tells the drum's tracker of a mark that a person set, and returns
// what it finds by it. One that does not fit was refused before it was recorded, or
// concerns a roast that the tracker has let go of.
func (b *Book) tellTracker(d *drum, m *pb.MarkSet, at float64) []roast.Event {
	if b.skims && len(d.pending.items) > 0 {
		d.pending.items = append(d.pending.items, happened{what: wasTold, mark: m, at: at})
		return nil
	}
	return d.tell(m, at)
}

func (d *drum) tell(m *pb.MarkSet, at float64) []roast.Event {
	switch {
	case d.tracker == nil: // its run has ended
		return nil
	case m.GetWithdrawn():
		_ = d.tracker.Withdraw(m.GetKind())
		return nil
	}
	found, _ := d.tracker.SetMark(m.GetKind(), at)
	return found
}

// reopen lets a roast go on whose drop was withdrawn.
func (b *Book) reopen(x *oneRoast) {
	x.pb.State, x.pb.LastNumber, x.trace = pb.RoastState_ROAST_STATE_ROASTING, 0, roast.Trace{}
	x.run.drum.roast, x.run.drum.ended = x.pb.GetRoast(), nil
	x.station.roast = x
	if x.sample != nil {
		b.follow(&pb.Entry{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{
			Station: x.pb.GetStation(), Sample: x.sample.record.GetSample(), At: stamp(b.now),
			By: pb.PlacementMeans_PLACEMENT_MEANS_CALL,
		}}})
	}
}

// elapsedText shows a time from the charge in a correction.
func elapsedText(seconds float64) string { return fmt.Sprintf("%.1f s", seconds) }

func (x *oneRoast) markCorrection(e *pb.Entry, m *pb.MarkSet, old string) *pb.Correction {
	c := &pb.Correction{
		Field: fmt.Sprintf("%s %s", x.pb.GetRoast(), MarkWord(m.GetKind())), Reason: m.GetReason(),
		Actor: e.GetActor(), Person: e.GetPerson(), At: e.GetRecordedAt(), Cursor: e.GetCursor(), Old: old,
	}
	if !m.GetWithdrawn() {
		c.New = elapsedText(m.GetElapsedS())
	}
	return c
}

// orderMarks sorts the marks by time and counts their time from the charge.
func (x *oneRoast) orderMarks() {
	for _, k := range x.pb.GetMarks() {
		k.ElapsedS = roundTo(x.marks[k.GetKind()]-x.charge, 1e-6)
	}
	slices.SortStableFunc(x.pb.Marks, func(a, b *pb.Mark) int { return cmp.Compare(a.GetElapsedS(), b.GetElapsedS()) })
}

func (b *Book) roastClosed(m *pb.RoastClosed) {
	x := b.roasts[m.GetRoast()]
	if x == nil {
		return
	}
	x.pb.LastNumber = m.GetLastNumber()
	x.to = b.last
	x.about = append(x.about, b.last)
	x.pb.State = pb.RoastState_ROAST_STATE_DROPPED
	if m.GetAborted() != "" {
		x.pb.State = pb.RoastState_ROAST_STATE_ABORTED
	}
	if x.station.roast == x {
		x.station.roast = nil
	}
	d := x.run.drum
	if d.roast == m.GetRoast() {
		d.roast = ""
	}
	if d.ended != nil {
		d.ended.trace = roast.Trace{}
	}
	d.ended = x
	if x.run.closed {
		b.lookAgain(d)
	}
	if b.skims && !x.run.closed {
		d.close(x)
	} else {
		x.trace = d.kept()
	}
	if x.run.closed {
		d.tracker, d.trace = nil, nil
	}
	b.touch(x.sample)
	if x.sample != nil && x.sample.on[x.pb.GetStation()] {
		at := b.now
		if drop, ok := x.marks[pb.MarkKind_MARK_KIND_DROP]; ok {
			at = x.run.wall(drop)
		}
		b.follow(&pb.Entry{Body: &pb.Entry_SampleRemoved{SampleRemoved: &pb.SampleRemoved{
			Station: x.pb.GetStation(), Sample: x.sample.record.GetSample(), At: stamp(at), Reason: "the roast has ended",
		}}})
	}
	if x.sample != nil {
		b.judgeAgain(x.sample)
	}
	b.refindRoast(x)
}

// moveRoast gives a roast to another sample, or to none.
func (b *Book) moveRoast(e *pb.Entry, x *oneRoast, to *sample, reason string) {
	from := x.sample
	same := func(r *oneRoast) bool { return r == x }
	if from != nil {
		from.roasts = slices.DeleteFunc(from.roasts, same)
		from.record.Roasts = slices.DeleteFunc(from.record.Roasts, func(r *pb.Roast) bool { return r == x.pb })
		b.refind(from)
	}
	x.sample = to
	b.corrected(e, "roast "+x.pb.GetRoast(), from, to, reason)
	if to != nil {
		to.roasts = append(to.roasts, x)
		to.record.Roasts = append(to.record.Roasts, x.pb)
		b.refind(to)
	}
	b.refindRoast(x)
	if x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING {
		b.exchange(x, from, to)
	}
}

// exchange drafts that the sample in a drum is another one than was thought, from
// the charge on.
func (b *Book) exchange(x *oneRoast, from, to *sample) {
	if from != nil && from.on[x.pb.GetStation()] {
		b.follow(&pb.Entry{Body: &pb.Entry_SampleRemoved{SampleRemoved: &pb.SampleRemoved{
			Station: x.pb.GetStation(), Sample: from.record.GetSample(), At: x.pb.GetChargedAt(), Reason: "it was another sample",
		}}})
	}
	if to != nil {
		b.follow(&pb.Entry{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{
			Station: x.pb.GetStation(), Sample: to.record.GetSample(), At: x.pb.GetChargedAt(), By: pb.PlacementMeans_PLACEMENT_MEANS_CALL,
		}}})
	}
}

// chargedBetween returns the roasts whose charge is in the readings of a run from one
// number to another, in order.
func (r *run) chargedBetween(first, last uint64) []*oneRoast {
	at := func(x *oneRoast, n uint64) int { return cmp.Compare(x.pb.GetFirstNumber(), n) }
	i, _ := slices.BinarySearchFunc(r.charged, first, at)
	j := i
	for j < len(r.charged) && r.charged[j].pb.GetFirstNumber() <= last {
		j++
	}
	return slices.Clone(r.charged[i:j])
}

// order puts the roasts that were charged in a run into the order of their charges.
func (r *run) order() {
	slices.SortStableFunc(r.charged, func(a, b *oneRoast) int { return cmp.Compare(a.pb.GetFirstNumber(), b.pb.GetFirstNumber()) })
}

// Roast returns a copy of a roast and the code of its sample.
func (b *Book) Roast(id string) (r *pb.Roast, sample string, ok bool) {
	x := b.roasts[id]
	if x == nil {
		return nil, "", false
	}
	if x.sample != nil {
		sample = x.sample.record.GetSample()
	}
	return proto.CloneOf(x.pb), sample, true
}
