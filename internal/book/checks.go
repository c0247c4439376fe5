package book

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// checkKey names a check of a channel.
type checkKey struct{ instrument, channel, name string }

func (k checkKey) compare(l checkKey) int {
	return cmp.Or(cmp.Compare(k.instrument, l.instrument), cmp.Compare(k.channel, l.channel), cmp.Compare(k.name, l.name))
}

// checked is how a check stands.
type checked struct {
	last *pb.Entry
	// Up to which entry readings were found to be good, or have been doubted.
	settled uint64
	// It failed, and was not good since.
	failed bool
	// What it has cast doubt on, in the order of the record.
	doubts []*doubt
}

// doubt is a part of the record in which the readings of a channel are uncertain, because
// a check failed. Readings are in it from behind one entry up to another, or up to now as
// long as the check is failed.
type doubt struct {
	pb    *pb.ReadingsDoubted
	until uint64 // 0: goes on
}

// clear notes that a check is failed no more.
func (x *checked) clear(cursor uint64) {
	for _, d := range x.doubts {
		if d.until == 0 {
			d.until = cursor
		}
	}
	x.failed = false
}

func (b *Book) instrumentChecked(e *pb.Entry, m *pb.InstrumentChecked) {
	key := checkKey{m.GetInstrument(), m.GetChannel(), m.GetCheck()}
	x := b.checks[key]
	if x == nil {
		x = &checked{}
		b.checks[key] = x
	}
	x.last = e
	switch m.GetVerdict() {
	case pb.CheckVerdict_CHECK_VERDICT_INSIDE:
		x.clear(e.GetCursor())
		x.settled = e.GetCursor()
	case pb.CheckVerdict_CHECK_VERDICT_OUTSIDE:
		after := b.settled(key)
		x.failed, x.settled = true, e.GetCursor()
		b.follow(&pb.Entry{Body: &pb.Entry_ReadingsDoubted{ReadingsDoubted: &pb.ReadingsDoubted{
			Instrument: m.GetInstrument(), Channel: m.GetChannel(), After: after, UpTo: e.GetCursor(),
			Because: pb.QualityReason_QUALITY_REASON_CHECK_FAILED, Check: m.GetCheck(),
			Text: fmt.Sprintf("%s read %.6g %s where %s is %.6g, and %.3g was the limit: what %s has read since the check before is uncertain; clean it and check again, or calibrate it",
				m.GetInstrument(), m.GetValue(), m.GetUnit(), m.GetCheck(), m.GetReference(), m.GetLimit(), m.GetChannel()),
		}}})
	}
}

// settled returns up to which entry the readings of a channel are settled by a check, or
// were made with a calibration that it is not about.
func (b *Book) settled(k checkKey) uint64 {
	at := b.calibratedAt(k.instrument, k.channel)
	if x := b.checks[k]; x != nil {
		at = max(at, x.settled)
	}
	return at
}

// calibratedAt returns the cursor of the last calibration of a channel; 0 if it has none.
func (b *Book) calibratedAt(instrument, channel string) uint64 {
	for _, c := range slices.Backward(b.calibrations[instrument]) {
		if c.curve != nil && c.pb().GetChannel() == channel {
			return c.entry.GetCursor()
		}
	}
	return 0
}

// doubtful returns the measurements of a channel whose readings lie in entries after one
// cursor, up to and including another; in the order in which they were taken.
func (b *Book) doubtful(instrument, channel string, after, upTo uint64) []*measured {
	var list []*measured
	for key, r := range b.runs {
		if key.instrument != instrument {
			continue
		}
		for _, x := range r.measured {
			if x.pb.GetChannel() == channel && x.pb.GetCursor() > after && x.pb.GetCursor() <= upTo {
				list = append(list, x)
			}
		}
	}
	slices.SortFunc(list, func(x, y *measured) int { return cmp.Compare(x.pb.GetTaken(), y.pb.GetTaken()) })
	return list
}

// readingsDoubted makes measurements uncertain that were read between two entries, and
// asks again for the verdicts that rest on them, or on roasts that were followed then.
func (b *Book) readingsDoubted(m *pb.ReadingsDoubted) {
	if x := b.checks[checkKey{m.GetInstrument(), m.GetChannel(), m.GetCheck()}]; x != nil {
		d := &doubt{pb: m}
		if !x.failed {
			d.until = m.GetUpTo()
		}
		x.doubts = append(x.doubts, d)
	}
	for _, x := range b.doubtful(m.GetInstrument(), m.GetChannel(), m.GetAfter(), m.GetUpTo()) {
		if slices.Contains(x.pb.GetReasons(), m.GetBecause()) {
			continue
		}
		x.pb.Reasons = append(x.pb.Reasons, m.GetBecause())
		slices.Sort(x.pb.Reasons)
		if x.pb.GetQuality() != pb.Quality_QUALITY_BAD {
			x.pb.Quality = pb.Quality_QUALITY_UNCERTAIN
		}
		if x.sample != nil {
			b.touch(x.sample)
			b.refind(x.sample)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(b.roasts)) {
		x := b.roasts[id]
		if x.pb.GetInstrument() == m.GetInstrument() && x.first.bean() == m.GetChannel() && b.doubtOfBean(x) != nil {
			b.refindRoast(x)
		}
	}
}

// Doubt is a part of the record in which the readings of a channel are uncertain: those in
// entries after one, up to and including another.
type Doubt struct {
	After, UpTo uint64
	// Check that failed.
	Check string
}

// Doubts returns where in the record the readings of a channel are doubted, for values of
// a time with the device that answered in a run. What a calibration has made anew since is
// doubted no more.
func (b *Book) Doubts(instrument, channel, run string, at time.Time) []Doubt {
	var madeAt uint64
	if r := b.runs[runKey{instrument, run}]; r != nil {
		if c := b.inForce(instrument, channel, b.device(r), at); c != nil {
			madeAt = c.entry.GetCursor()
		}
	}
	var list []Doubt
	for _, key := range b.sortedChecks() {
		if key.instrument != instrument || key.channel != channel {
			continue
		}
		for _, d := range b.checks[key].doubts {
			if d.pb.GetUpTo() > madeAt {
				list = append(list, Doubt{After: d.pb.GetAfter(), UpTo: cmp.Or(d.until, math.MaxUint64), Check: key.name})
			}
		}
	}
	return list
}

// doubtOfBean returns why the bean temperatures of a roast that has ended are uncertain;
// nil if they are not.
func (b *Book) doubtOfBean(x *oneRoast) *Doubt {
	channel := x.first.bean()
	if channel == "" || x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING {
		return nil
	}
	begin := x.first.cursorOf(x.pb.GetFirstNumber())
	for _, d := range b.Doubts(x.pb.GetInstrument(), channel, x.pb.GetRun(), x.pb.GetChargedAt().AsTime()) {
		if d.After < x.to && d.UpTo >= begin {
			return &d
		}
	}
	return nil
}

// Doubtful returns how many measurements a check would make uncertain if it failed now.
func (b *Book) Doubtful(instrument, channel, name string) int {
	return len(b.doubtful(instrument, channel, b.settled(checkKey{instrument, channel, name}), b.last))
}

// Check returns how a check went the last time, and whether it is failed; nil if it was
// never done.
func (b *Book) Check(instrument, channel, name string) (last *pb.Entry, failed bool) {
	x := b.checks[checkKey{instrument, channel, name}]
	if x == nil {
		return nil, false
	}
	return proto.CloneOf(x.last), x.failed
}

// sortedChecks returns the keys of the checks in order.
func (b *Book) sortedChecks() []checkKey {
	return slices.SortedFunc(maps.Keys(b.checks), checkKey.compare)
}
