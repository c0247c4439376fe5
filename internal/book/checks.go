package book

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

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
		x.failed, x.settled = false, e.GetCursor()
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

// readingsDoubted makes measurements uncertain that were read between two entries.
func (b *Book) readingsDoubted(m *pb.ReadingsDoubted) {
	for _, x := range b.doubtful(m.GetInstrument(), m.GetChannel(), m.GetAfter(), m.GetUpTo()) {
		if slices.Contains(x.pb.GetReasons(), m.GetBecause()) {
			continue
		}
		x.pb.Reasons = append(x.pb.Reasons, m.GetBecause())
		slices.Sort(x.pb.Reasons)
		if x.pb.GetQuality() != pb.Quality_QUALITY_BAD {
			x.pb.Quality = pb.Quality_QUALITY_UNCERTAIN
		}
		b.touch(x.sample)
	}
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
