package book

import (
	"slices"
)

// Evidence is where in the record stands what the record of a sample comes of.
type Evidence struct {
	// Cursors of entries, in order, each once: those that changed the record, those that
	// it cites, and those that say what its roasts, the runs of its instruments and the
	// lab were.
	Cursors []uint64
	// Where the readings of its roasts lie.
	Spans []Span
}

// Evidence returns where stands what the record of a sample comes of. It is false for an
// unknown sample.
func (b *Book) Evidence(code string) (Evidence, bool) {
	s := b.samples[code]
	if s == nil {
		return Evidence{}, false
	}
	var e Evidence
	for _, c := range b.changes {
		if c.sample == s {
			e.Cursors = append(e.Cursors, c.cursor)
		}
	}
	e.Cursors = append(e.Cursors, b.labsOf(e.Cursors[0], e.Cursors[len(e.Cursors)-1])...)
	about := func(r *run) {
		if r != nil {
			e.Cursors = append(e.Cursors, r.about...)
		}
	}
	for _, m := range s.record.GetMeasurements() {
		about(b.runs[runKey{m.GetInstrument(), m.GetRun()}])
		e.Cursors = append(e.Cursors, m.GetCursor(), m.GetTaken(), m.GetReplaces())
	}
	for _, x := range s.roasts {
		e.Cursors = append(e.Cursors, x.about...)
		span := b.Span(x.pb.GetRoast())
		for _, r := range append([]*run{x.first}, x.parts...) {
			about(r)
			e.Cursors = append(e.Cursors, within(r.holes, span.From, span.To)...)
		}
		e.Spans = append(e.Spans, span)
	}
	e.Cursors = append(e.Cursors, 1) // which record it is
	slices.Sort(e.Cursors)
	e.Cursors = slices.DeleteFunc(slices.Compact(e.Cursors), func(c uint64) bool { return c == 0 })
	return e, true
}

// labsOf returns the lab files that counted from one entry to another.
func (b *Book) labsOf(first, last uint64) []uint64 {
	i, _ := slices.BinarySearch(b.labs, first)
	j, _ := slices.BinarySearch(b.labs, last+1)
	return b.labs[max(i-1, 0):j]
}

func within(cursors []uint64, from, to uint64) []uint64 {
	i, _ := slices.BinarySearch(cursors, from)
	j, _ := slices.BinarySearch(cursors, to+1)
	return cursors[i:j]
}

// CalibrationEntry returns the cursor of the entry that made a calibration of an
// instrument; 0 if it is not in the record.
func (b *Book) CalibrationEntry(instrument, id string) uint64 {
	for _, c := range b.calibrations[instrument] {
		if c.pb().GetId() == id {
			return c.entry.GetCursor()
		}
	}
	return 0
}
