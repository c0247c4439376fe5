package main

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"strconv"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// claims are what the hub has told others, and what the record must bear out.
type claims struct {
	answered map[string]uint64 // cursor, by request id
	records  []*pb.SampleRecord
	seen     []*subscriber
	counters map[string]*counter
}

// proof is what the record of a hub that is gone shows.
type proof struct {
	faults   []string
	entries  int
	readings uint64
	runs     int
	gaps     []*pb.Gap
}

func (p *proof) fault(format string, args ...any) {
	p.faults = append(p.faults, fmt.Sprintf(format, args...))
}

// prove checks the promises that can be checked from the record alone, and those
// that need what others were told.
func prove(ctx context.Context, dir string, c claims) (*proof, error) {
	audit, bytes, err := readRecord(ctx, dir)
	if err != nil {
		return nil, err
	}
	entries, err := bytes.parse()
	if err != nil {
		return nil, err
	}
	p := &proof{entries: len(entries), readings: audit.GetReadings()}
	// P1 and P5: the audit's own account of numbers and of the chain.
	for _, f := range audit.GetFaults() {
		p.fault("P1, P5: %s", f.GetText())
	}
	p.numbers(entries, c.counters)
	p.answers(entries, c.answered)
	if err := p.deliveries(entries, c.seen); err != nil {
		return nil, err
	}
	return p, p.folds(bytes, c.records)
}

// account is one run as its readings show it.
type account struct {
	instrument string
	connection string
	next       uint64
	closed     bool
}

// numbers proves P1 by what the devices said: reading n of a run is line n of one
// connection, and no connection is in two runs.
func (p *proof) numbers(entries []*pb.Entry, counters map[string]*counter) {
	runs := map[string]*account{}
	taken := map[string]string{} // run, by instrument and connection
	for _, e := range entries {
		switch m := e.GetBody().(type) {
		case *pb.Entry_RunOpened:
			p.runs++
			runs[m.RunOpened.GetRun()] = &account{instrument: m.RunOpened.GetInstrument(), next: 1}
		case *pb.Entry_Gap:
			p.gaps = append(p.gaps, m.Gap)
			if a := runs[m.Gap.GetRun()]; a != nil && m.Gap.GetCount() > 0 {
				a.next = m.Gap.GetFirstNumber() + m.Gap.GetCount()
			}
		case *pb.Entry_RunClosed:
			if a := runs[m.RunClosed.GetRun()]; a != nil {
				a.closed = true
			}
		case *pb.Entry_Readings:
			a := runs[m.Readings.GetRun()]
			if a == nil || a.closed {
				p.fault("P1: entry %d has readings of run %s, which is not open", e.GetCursor(), m.Readings.GetRun())
				continue
			}
			p.lines(e.GetCursor(), m.Readings, a)
			if run, ok := taken[a.instrument+" "+a.connection]; ok && run != m.Readings.GetRun() {
				p.fault("P1: connection %s of %s is in run %s and in run %s", a.connection, a.instrument, run, m.Readings.GetRun())
			}
			taken[a.instrument+" "+a.connection] = m.Readings.GetRun()
		}
	}
	for run, a := range runs {
		connection, _ := strconv.Atoi(a.connection)
		if said := counters[a.instrument].lines(connection); a.next-1 > uint64(said) {
			p.fault("P1: run %s of %s has %d readings, and the device said %d lines", run, a.instrument, a.next-1, said)
		}
	}
}

// lines checks the readings of a batch, which has one channel.
func (p *proof) lines(cursor uint64, m *pb.ReadingBatch, a *account) {
	for row := range m.Rows() {
		a.connection = cmp.Or(a.connection, row.DeviceStatus())
		if row.Number != a.next || row.Value != float64(row.Number) ||
			row.DeviceText() != strconv.FormatUint(row.Number, 10) || row.DeviceStatus() != a.connection {
			p.fault("P1: entry %d, %s: where reading %d should be line %d of connection %s, reading %d is %g, said as %q of connection %q",
				cursor, a.instrument, a.next, a.next, a.connection, row.Number, row.Value, row.DeviceText(), row.DeviceStatus())
			return
		}
		a.next++
	}
}

// answers proves P2 for writers: what was answered is there, once.
func (p *proof) answers(entries []*pb.Entry, answered map[string]uint64) {
	times := map[string]int{}
	for _, e := range entries {
		if e.GetRequestId() != "" && e.GetCause() == 0 {
			times[e.GetRequestId()]++
		}
	}
	for id, cursor := range answered {
		if cursor == 0 || cursor > uint64(len(entries)) || entries[cursor-1].GetRequestId() != id {
			p.fault("P2: call %s was answered with entry %d, which is not there or is another", id, cursor)
		}
	}
	for id, n := range times {
		if n != 1 {
			p.fault("P2: call %s is recorded %d times", id, n)
		}
	}
}

// deliveries proves P2 for subscribers: what they were given is there, unchanged;
// and each was given everything in order, once.
func (p *proof) deliveries(entries []*pb.Entry, subscribers []*subscriber) error {
	digests := make([]string, len(entries))
	for i, e := range entries {
		digests[i] = digest(e)
	}
	for _, s := range subscribers {
		name := filepath.Base(s.file)
		record, list, err := s.read()
		if err != nil {
			return err
		}
		if id := entries[0].GetRecordOpened().GetRecordId(); record != "" && record != id {
			p.fault("P2: %s follows record %s, and this is %s", name, record, id)
		}
		for i, e := range list {
			switch {
			case e.cursor != uint64(i+1):
				p.fault("P2: %s was given entry %d where %d comes", name, e.cursor, i+1)
			case i >= len(digests):
				p.fault("P2: %s was given entry %d, and the record ends with %d", name, e.cursor, len(digests))
			case e.digest != digests[i]:
				p.fault("P2: %s was given another entry %d than is recorded", name, e.cursor)
			default:
				continue
			}
			break
		}
	}
	return nil
}

// folds proves P6: two folds of the record give the same bytes, what was recorded is
// what the fold says that follows, and each sample record that the living hub gave
// is what the fold has after the same entry.
func (p *proof) folds(bytes stored, given []*pb.SampleRecord) error {
	due := map[uint64][]*pb.SampleRecord{}
	for _, r := range given {
		due[r.GetAsOf()] = append(due[r.GetAsOf()], r)
	}
	first, err := bytes.parse()
	if err != nil {
		return err
	}
	once, wrong := fold(first, func(b *book.Book) {
		for _, want := range due[b.Last()] {
			have, _ := b.Record(want.GetSample())
			p.sameRecord(have, want)
		}
		delete(due, b.Last())
	})
	for _, w := range wrong {
		p.fault("P6: %s", w)
	}
	for cursor, list := range due {
		p.fault("P6: the record of %s was given as of entry %d, which is not there", list[0].GetSample(), cursor)
	}
	second, err := bytes.parse()
	if err != nil {
		return err
	}
	again, _ := fold(second, func(*book.Book) {})
	for code, is := range once {
		if again[code] != is {
			p.fault("P6: two folds give two records of %s", code)
		}
	}
	return nil
}

func (p *proof) sameRecord(have, want *pb.SampleRecord) {
	h, err := recordBytes(have)
	w, wantErr := recordBytes(want)
	if err != nil || wantErr != nil || h != w {
		p.fault("P6: as of entry %d the fold has of %s %v, and the hub gave %v", want.GetAsOf(), want.GetSample(), have, want)
	}
}
