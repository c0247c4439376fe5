package ledger

import (
	"cmp"
	"fmt"
	"slices"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Runs accounts for the readings of every run: readings and gaps together must
// be exactly 1 … N, N being what the run closed with, each number once. The zero
// Runs has seen nothing.
type Runs struct {
	byName   map[string]*run
	inOrder  []*run
	readings uint64
}

// run is what is known of one run. Numbers 1 to through are accounted for, and
// those of the spans ahead.
type run struct {
	audit   *pb.RunAudit
	through uint64
	ahead   []numbers
	closed  bool
	// Cursor of the last entry about the run.
	cursor uint64
}

// numbers is readings first to last, both included.
type numbers struct{ first, last uint64 }

func (n numbers) String() string {
	if n.first == n.last {
		return fmt.Sprintf("number %d", n.first)
	}
	return fmt.Sprintf("numbers %d to %d", n.first, n.last)
}

// Add takes the next entry and returns what it shows to be wrong.
func (r *Runs) Add(e *pb.Entry) []Fault {
	switch b := e.GetBody().(type) {
	case *pb.Entry_RunOpened:
		return r.open(e.GetCursor(), b.RunOpened)
	case *pb.Entry_Readings:
		return r.read(e.GetCursor(), b.Readings)
	case *pb.Entry_Gap:
		return r.gap(e.GetCursor(), b.Gap)
	case *pb.Entry_RunClosed:
		return r.close(e.GetCursor(), b.RunClosed)
	}
	return nil
}

// End returns what is missing in the runs that are still open, where later
// numbers are there already.
func (r *Runs) End() []Fault {
	var faults []Fault
	for _, run := range r.inOrder {
		if !run.closed {
			faults = append(faults, run.holes(run.highest())...)
		}
	}
	return faults
}

// Readings returns how many readings there were.
func (r *Runs) Readings() uint64 { return r.readings }

// Audits returns the account of each run, in the order in which they were
// opened.
func (r *Runs) Audits() []*pb.RunAudit {
	audits := make([]*pb.RunAudit, len(r.inOrder))
	for i, run := range r.inOrder {
		run.audit.LastNumber, run.audit.Open = max(run.audit.LastNumber, run.highest()), !run.closed
		audits[i] = run.audit
	}
	return audits
}

func (r *Runs) open(cursor uint64, b *pb.RunOpened) []Fault {
	if r.byName[b.GetRun()] != nil {
		return faultOf(cursor, "run %q of %s is opened a second time", b.GetRun(), b.GetInstrument())
	}
	r.add(cursor, b.GetInstrument(), b.GetRun())
	return nil
}

func (r *Runs) add(cursor uint64, instrument, name string) *run {
	if r.byName == nil {
		r.byName = make(map[string]*run)
	}
	it := &run{audit: &pb.RunAudit{Instrument: instrument, Run: name}, cursor: cursor}
	r.byName[name] = it
	r.inOrder = append(r.inOrder, it)
	return it
}

// find returns the run that an entry is about. One that was never opened is a
// fault, and accounted for from there on.
func (r *Runs) find(cursor uint64, instrument, name string) (*run, []Fault) {
	it := r.byName[name]
	if it == nil {
		return r.add(cursor, instrument, name), faultOf(cursor, "run %q of %s was never opened", name, instrument)
	}
	it.cursor = cursor
	if it.audit.GetInstrument() != instrument {
		return it, faultOf(cursor, "run %q belongs to %s, not to %s", name, it.audit.GetInstrument(), instrument)
	}
	return it, nil
}

func (r *Runs) read(cursor uint64, b *pb.ReadingBatch) []Fault {
	it, faults := r.find(cursor, b.GetInstrument(), b.GetRun())
	faults = append(faults, rowsOf(cursor, b)...)
	count := uint64(b.GetCount())
	r.readings += count
	it.audit.Readings += count
	return append(faults, it.take(cursor, "readings", b.GetFirstNumber(), count)...)
}

func (r *Runs) gap(cursor uint64, b *pb.Gap) []Fault {
	if b.GetCount() == 0 {
		return nil // nothing was numbered, or nobody knows how much
	}
	it, faults := r.find(cursor, b.GetInstrument(), b.GetRun())
	it.audit.MissingExplained += b.GetCount()
	return append(faults, it.take(cursor, "a gap", b.GetFirstNumber(), b.GetCount())...)
}

func (r *Runs) close(cursor uint64, b *pb.RunClosed) []Fault {
	it, faults := r.find(cursor, b.GetInstrument(), b.GetRun())
	if it.closed {
		return append(faults, faultOf(cursor, "%s is closed a second time", it)...)
	}
	it.closed, it.audit.LastNumber = true, b.GetLastNumber()
	if highest := it.highest(); highest > b.GetLastNumber() {
		faults = append(faults, faultOf(cursor, "%s is closed with number %d, but has readings or gaps up to %d", it, b.GetLastNumber(), highest)...)
	}
	return append(faults, it.holes(b.GetLastNumber())...)
}

// rowsOf checks that each reading of a batch belongs to exactly one series.
func rowsOf(cursor uint64, b *pb.ReadingBatch) []Fault {
	rows := 0
	for _, s := range b.GetSeries() {
		rows += len(s.GetRow())
	}
	if rows != int(b.GetCount()) {
		return faultOf(cursor, "the batch counts %d readings and holds %d", b.GetCount(), rows)
	}
	seen := make([]bool, rows)
	for _, s := range b.GetSeries() {
		for _, row := range s.GetRow() {
			if int64(row) >= int64(rows) {
				return faultOf(cursor, "the batch of %d readings has one at row %d", rows, row)
			}
			if seen[row] {
				return faultOf(cursor, "the batch has two readings at row %d", row)
			}
			seen[row] = true
		}
	}
	return nil
}

// take accounts for count numbers from first on.
func (r *run) take(cursor uint64, what string, first, count uint64) []Fault {
	if first == 0 || count == 0 {
		return faultOf(cursor, "%s of %s: %d numbers from %d on, and numbers begin at 1", what, r, count, first)
	}
	span := numbers{first, first + count - 1}
	if span.last < first {
		return faultOf(cursor, "%s of %s: %d numbers from %d on are more than there can be", what, r, count, first)
	}
	var faults []Fault
	if r.closed {
		faults = faultOf(cursor, "%s come after %s was closed", span, r)
	}
	if twice, ok := r.overlap(span); ok {
		faults = append(faults, faultOf(cursor, "%s of %s are there a second time", twice, r)...)
	}
	r.merge(span)
	return faults
}

// overlap returns the first part of span that is accounted for already.
func (r *run) overlap(span numbers) (numbers, bool) {
	if span.first <= r.through {
		return numbers{span.first, min(span.last, r.through)}, true
	}
	for _, a := range r.ahead {
		if span.first <= a.last && a.first <= span.last {
			return numbers{max(span.first, a.first), min(span.last, a.last)}, true
		}
	}
	return numbers{}, false
}

func (r *run) merge(span numbers) {
	if span.first <= r.through+1 && len(r.ahead) == 0 {
		r.through = max(r.through, span.last)
		return
	}
	r.ahead = append(r.ahead, span)
	slices.SortFunc(r.ahead, func(a, b numbers) int { return cmp.Compare(a.first, b.first) })
	for len(r.ahead) > 0 && r.ahead[0].first <= r.through+1 {
		r.through = max(r.through, r.ahead[0].last)
		r.ahead = r.ahead[1:]
	}
}

func (r *run) highest() uint64 {
	highest := r.through
	for _, a := range r.ahead {
		highest = max(highest, a.last)
	}
	return highest
}

// holes returns the numbers up to last that are not accounted for.
func (r *run) holes(last uint64) []Fault {
	var faults []Fault
	from := r.through + 1
	for _, a := range append(slices.Clone(r.ahead), numbers{last + 1, last + 1}) {
		if to := min(a.first-1, last); from <= to {
			faults = append(faults, faultOf(r.cursor, "%s of %s are in no reading and no gap", numbers{from, to}, r)...)
		}
		from = max(from, a.last+1)
	}
	return faults
}

func (r *run) String() string {
	return fmt.Sprintf("run %q of %s", r.audit.GetRun(), r.audit.GetInstrument())
}

func faultOf(cursor uint64, format string, args ...any) []Fault {
	return []Fault{{cursor, fmt.Sprintf("entry %d: ", cursor) + fmt.Sprintf(format, args...)}}
}
