package hub

import (
	"bytes"
	"context"
	"maps"
	"slices"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/seal"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// evidence gathers the entries that the records of samples come of.
type evidence struct {
	scribe *scribe
	// What was gathered, by cursor.
	entries map[uint64][]byte
	// What the entries cite that was not gathered yet.
	wanted map[uint64]bool
}

func newEvidence(s *scribe) *evidence {
	return &evidence{s, map[uint64][]byte{}, map[uint64]bool{}}
}

// of gathers the evidence for samples, up to the entries that are on disk.
func (v *evidence) of(ctx context.Context, samples []string) error {
	var spans []book.Span
	var refusal error
	if err := v.scribe.read(ctx, func(b *book.Book) {
		for _, code := range samples {
			e, ok := b.Evidence(code)
			if !ok {
				refusal = known(b, code)
				return
			}
			spans = append(spans, e.Spans...)
			for _, c := range e.Cursors {
				v.wanted[c] = true
			}
		}
	}); err != nil || refusal != nil {
		return first(refusal, err)
	}
	for _, span := range spans {
		if err := v.traces(ctx, span); err != nil {
			return err
		}
	}
	for len(v.wanted) > 0 {
		if err := v.cited(ctx); err != nil {
			return err
		}
	}
	return nil
}

// traces gathers the readings of a roast.
func (v *evidence) traces(ctx context.Context, span book.Span) error {
	return v.read(ctx, span.From, span.To, func(s ledger.Stored) error {
		if s.Kind != kindReadings {
			return nil
		}
		e, err := s.Entry()
		if err != nil {
			return err
		}
		if _, ok := span.Of(e.GetReadings()); ok {
			v.take(s, e)
		}
		return nil
	})
}

// cited gathers what is wanted.
func (v *evidence) cited(ctx context.Context) error {
	cursors := slices.Sorted(maps.Keys(v.wanted))
	clear(v.wanted)
	for len(cursors) > 0 {
		// One reading does for those that lie near each other.
		last := 0
		for last+1 < len(cursors) && cursors[last+1] < cursors[0]+nearEntries {
			last++
		}
		near := cursors[:last+1]
		if err := v.read(ctx, near[0], near[last], func(s ledger.Stored) error {
			if _, ok := slices.BinarySearch(near, s.Cursor); !ok {
				return nil
			}
			e, err := s.Entry()
			if err == nil {
				v.take(s, e)
			}
			return err
		}); err != nil {
			return err
		}
		cursors = cursors[last+1:]
	}
	return nil
}

// nearEntries are read at once, rather than looked for one by one.
const nearEntries = 1000

// read hands out the entries between two cursors, both included.
func (v *evidence) read(ctx context.Context, from, to uint64, f func(ledger.Stored) error) error {
	if from == 0 {
		return nil
	}
	for reader := v.scribe.ledger.Read(from - 1); reader.Cursor() < to; {
		entries, err := reader.Next(ctx)
		if err != nil {
			return err
		}
		for _, s := range entries {
			if s.Cursor > to {
				break
			}
			if err := f(s); err != nil {
				return err
			}
		}
	}
	return nil
}

// take takes an entry, and wants what it cites.
func (v *evidence) take(s ledger.Stored, e *pb.Entry) {
	if v.entries[s.Cursor] != nil {
		return
	}
	v.entries[s.Cursor] = bytes.Clone(s.Bytes) // a block of entries lies in memory with it
	for _, c := range cites(e) {
		if c != 0 && c < s.Cursor && v.entries[c] == nil {
			v.wanted[c] = true
		}
	}
	v.scribe.mu.RLock()
	defer v.scribe.mu.RUnlock()
	for instrument, id := range calibratedBy(e) {
		if c := v.scribe.book.CalibrationEntry(instrument, id); c != 0 && v.entries[c] == nil {
			v.wanted[c] = true
		}
	}
}

// cites returns the cursors that an entry names.
func cites(e *pb.Entry) []uint64 {
	list := []uint64{e.GetCause()}
	switch m := e.GetBody().(type) {
	case *pb.Entry_MeasurementTaken:
		p := m.MeasurementTaken.GetMeasurement()
		list = append(list, p.GetCursor(), p.GetReplaces())
	case *pb.Entry_MarkSet:
		list = append(list, m.MarkSet.GetReplaces())
	case *pb.Entry_FindingMade:
		list = append(list, m.FindingMade.GetInputs()...)
	case *pb.Entry_VerdictGiven:
		for _, w := range m.VerdictGiven.GetWindows() {
			list = append(list, w.GetInputs()...)
		}
	}
	return list
}

// calibratedBy yields the instruments and calibrations that an entry names.
func calibratedBy(e *pb.Entry) func(yield func(instrument, id string) bool) {
	return func(yield func(instrument, id string) bool) {
		if p := e.GetMeasurementTaken().GetMeasurement(); p.GetCalibration() != "" && !yield(p.GetInstrument(), p.GetCalibration()) {
			return
		}
		for _, s := range e.GetReadings().GetSeries() {
			if s.GetCalibration() != "" && !yield(e.GetReadings().GetInstrument(), s.GetCalibration()) {
				return
			}
		}
	}
}

// sorted returns what was gathered, in order.
func (v *evidence) sorted() []seal.Entry {
	var list []seal.Entry
	for _, c := range slices.Sorted(maps.Keys(v.entries)) {
		list = append(list, seal.Entry{Cursor: c, Bytes: v.entries[c]})
	}
	return list
}
