package book

import (
	"errors"
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// pending is what happened to a drum and has not been looked at: batches of readings,
// and what was recorded of its roasts in between.
//
// When a roast ends, what was before the end of the roast before it is let go of. The
// tracker then begins there anew. That it comes to what it would have come to with
// everything before is not supposed but seen: it must find the charge of the next roast
// at the recorded time and level, and from a charge on it depends on what comes after.
type pending struct {
	items []happened
	bytes []byte
	// Where the last roast ended: an index into items; 0 if that is not among them.
	ended int
	// The tracker begins anew, and how many batches only lead up to it.
	anew bool
	lead int
}

const (
	// mostPending bounds what waits for one drum, in bytes: half an hour or more between two
	// roasts. What waits is part of every checkpoint.
	mostPending = 256 << 10
	// leadUpSeconds is how much of the time before a tracker begins anew it remembers:
	// more than the course that is looked at before a fall.
	leadUpSeconds = 120
	// sameCharge is what a recorded time of a charge may be off by, s: it is rounded to
	// microseconds.
	sameCharge = 2e-6
)

type happening uint8

const (
	wasRead happening = iota
	wasOpened
	wasTold
	wasClosed
)

// happened is one item.
type happened struct {
	what happening
	// Of a batch: where it lies, its run, its time on the clock of the drum, and whether
	// a roast went on then.
	from, to int
	run      *run
	at       float64
	roasting bool

	roast  *oneRoast
	cel    float64     // of a charge
	person bool        // marked it
	mark   *pb.MarkSet // that a person set
}

// wait puts off looking at a batch.
func (d *drum) wait(r *run, h pb.Heading) error {
	if len(d.pending.bytes) > mostPending {
		if err := d.catchUp(); err != nil {
			return err
		}
	}
	p := &d.pending
	from := len(p.bytes)
	p.bytes = append(p.bytes, h.Batch...)
	p.items = append(p.items, happened{
		what: wasRead, from: from, to: len(p.bytes), run: r, at: float64(h.StartElapsedUs)/1e6 + r.offset, roasting: d.roast != "",
	})
	return nil
}

// takeBack takes back the batch that was put off last.
func (d *drum) takeBack() (*pb.ReadingBatch, error) {
	p := &d.pending
	x := p.items[len(p.items)-1]
	p.items = p.items[:len(p.items)-1]
	return x.batch(p.bytes[x.from:x.to])
}

// close notes the end of a roast, and lets go of what was before the end of the one
// before it.
func (d *drum) close(x *oneRoast) {
	p := &d.pending
	p.items = append(p.items, happened{what: wasClosed, roast: x})
	if p.ended > 0 {
		d.letGo()
	}
	p.ended = len(p.items)
}

func (d *drum) letGo() {
	p := &d.pending
	first, end := p.ended, math.Inf(-1)
	for first > 0 {
		x := p.items[first-1]
		if x.what == wasRead {
			if math.IsInf(end, -1) {
				end = x.at
			}
			if x.at < end-leadUpSeconds {
				break
			}
		}
		first--
	}
	kept, shift := p.items[:0], -1
	p.lead = 0
	for i, x := range p.items[first:] {
		before := first+i < p.ended
		if before && x.what != wasRead {
			continue
		}
		if x.what == wasRead {
			if shift < 0 {
				shift = x.from
			}
			x.from, x.to = x.from-shift, x.to-shift
		}
		if before {
			p.lead++
		}
		kept = append(kept, x)
	}
	clear(p.items[len(kept):])
	p.items, p.bytes = kept, append(p.bytes[:0], p.bytes[max(shift, 0):]...)
	p.anew = true
	d.trace = d.trace[:0]
}

// catchUp looks at everything that waits.
func (d *drum) catchUp() error {
	p := d.pending
	d.pending = pending{items: p.items[:0], bytes: p.bytes[:0]}
	if len(p.items) == 0 || d.tracker == nil {
		return nil
	}
	sure := !p.anew
	if p.anew {
		d.tracker, d.found = roast.NewTracker(), roast.Event{}
	}
	is := d.roast
	defer func() { d.roast = is }()
	for i, x := range p.items {
		switch x.what {
		case wasRead:
			if err := d.readAgain(x, p.bytes[x.from:x.to], i < p.lead); err != nil {
				return err
			}
		case wasOpened:
			sure = sure || x.person || d.tracker.Roasting() && d.found.Cel == x.cel && math.Abs(d.found.At-x.at) < sameCharge
			d.trim(x.at - leadSeconds)
		case wasTold:
			d.tell(x.mark, x.at)
		case wasClosed:
			if d.ended == x.roast && !x.roast.recalibrated {
				x.roast.trace = d.kept()
			}
		}
	}
	if !sure {
		return ErrUnsure
	}
	return nil
}

// readAgain looks at a batch. What it gives away has been recorded.
func (d *drum) readAgain(x happened, batch []byte, leads bool) error {
	m, err := x.batch(batch)
	if err != nil {
		return err
	}
	if d.roast = ""; x.roasting {
		d.roast = "goes on"
	}
	for row := range m.InOrder() {
		ch := x.run.channels[row.Series.GetChannel()]
		if ch == nil || !ch.part {
			continue
		}
		if leads {
			d.tracker.Lead(d.take(x.run, ch, m, row))
			continue
		}
		for _, e := range d.tracker.Feed(d.take(x.run, ch, m, row)) {
			switch e.What {
			case roast.Charged:
				d.found, d.roast = e, "goes on"
			case roast.Dropped, roast.Aborted:
				d.roast = ""
			}
		}
	}
	return nil
}

// lookAgain sees to it that nothing of a drum waits.
func (b *Book) lookAgain(d *drum) {
	if d != nil && b.skims {
		b.unsure = errors.Join(b.unsure, d.catchUp())
	}
}

// numberBefore is numberAt, also where some of the readings wait.
func (b *Book) numberBefore(d *drum, r *run, at float64) uint64 {
	if !b.skims {
		return d.numberAt(r, at)
	}
	number, err := d.numberBefore(r, at)
	b.unsure = errors.Join(b.unsure, err)
	return number
}

// numberBefore is numberAt where some of the readings wait.
func (d *drum) numberBefore(r *run, at float64) (uint64, error) {
	for i := len(d.pending.items) - 1; i >= 0; i-- {
		x := d.pending.items[i]
		if x.what != wasRead || x.run != r {
			continue
		}
		batch := d.pending.bytes[x.from:x.to]
		// A second more than what rounding can make of it.
		if us, err := pb.EarliestAfterUs(batch); err == nil && x.at+float64(us)/1e6 > at+1 {
			continue
		}
		m, err := x.batch(batch)
		if err != nil {
			return 0, err
		}
		number := uint64(0)
		for row := range m.InOrder() {
			if ch := r.channels[row.Series.GetChannel()]; ch != nil && ch.part && shows(ch, row) && r.clock(m, row) <= at {
				number = row.Number
			}
		}
		if number > 0 {
			return number, nil
		}
	}
	err := d.catchUp()
	return d.numberAt(r, at), err
}

func (x happened) batch(bytes []byte) (*pb.ReadingBatch, error) {
	m := new(pb.ReadingBatch)
	if err := proto.Unmarshal(bytes, m); err != nil {
		return nil, fmt.Errorf("parse readings of %s: %w", x.run.pb.GetInstrument(), err)
	}
	return m, nil
}
