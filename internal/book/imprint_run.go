package book

import (
	"maps"
	"slices"

	"github.com/evenbench/evenbench/internal/imprint"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *press) run(r *run) {
	imprint.Message(p.Coder, &r.pb)
	refer(p.Coder, &p.stations, &r.station)
	imprint.Int(p.Coder, &r.accounted)
	p.Time(&r.base)
	p.Float(&r.offset)
	imprint.List(p.Coder, &r.index, func(x *batchRef) {
		imprint.Int(p.Coder, &x.number)
		imprint.Int(p.Coder, &x.cursor)
		p.Time(&x.at)
	})
	imprint.List(p.Coder, &r.measured, func(x **measured) {
		if p.Reads() {
			*x = new(measured)
		}
		p.measured(*x)
	})
	refer(p.Coder, &p.drums, &r.drum)
	imprint.List(p.Coder, &r.charged, func(x **oneRoast) { refer(p.Coder, &p.roasts, x) })
	imprint.List(p.Coder, &r.takenUp, func(x **oneRoast) { refer(p.Coder, &p.roasts, x) })
	p.Text(&r.identity)
	p.cursors(&r.about)
	p.cursors(&r.holes)
	p.Bool(&r.scans)
	p.Text(&r.scanned)
	p.Bool(&r.plain)
	p.Bool(&r.probes)
	p.Bool(&r.room)
	p.Bool(&r.closed)
	if p.Reads() {
		r.channels = map[string]*channel{}
		for _, c := range r.pb.GetChannels() {
			r.channels[c.GetName()] = &channel{pb: c}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(r.channels)) {
		p.channel(r, r.channels[name])
	}
}

func (p *press) cursors(list *[]uint64) {
	imprint.List(p.Coder, list, func(cursor *uint64) { imprint.Int(p.Coder, cursor) })
}

func (p *press) channel(r *run, ch *channel) {
	imprint.Int(p.Coder, &ch.role)
	p.Bool(&ch.part)
	load := 0 // the load's place among what was measured, from 1 on
	if ch.load != nil {
		load = slices.Index(r.measured, ch.load) + 1
	}
	imprint.Int(p.Coder, &load)
	if p.Reads() && load > 0 && load <= len(r.measured) {
		ch.load = r.measured[load-1]
	}
	p.Bool(&ch.moved)
	imprint.Int(p.Coder, &ch.unloaded)
	imprint.Message(p.Coder, &ch.air)
}

func (p *press) measured(x *measured) {
	refer(p.Coder, &p.samples, &x.sample)
	var list []*pb.Measurement
	if x.sample != nil {
		list = x.sample.record.GetMeasurements()
	}
	nested(p.Coder, x.sample != nil, list, &x.pb)
	p.Time(&x.at)
	p.Text(&x.property)
	p.Bool(&x.lies)
}

func (p *press) roast(x *oneRoast) {
	refer(p.Coder, &p.samples, &x.sample)
	var list []*pb.Roast
	if x.sample != nil {
		list = x.sample.record.GetRoasts()
	}
	nested(p.Coder, x.sample != nil, list, &x.pb)
	refer(p.Coder, &p.stations, &x.station)
	refer(p.Coder, &p.runs, &x.first)
	refer(p.Coder, &p.runs, &x.run)
	imprint.List(p.Coder, &x.parts, func(r **run) { refer(p.Coder, &p.runs, r) })
	imprint.Int(p.Coder, &x.from)
	imprint.Int(p.Coder, &x.to)
	p.Float(&x.begin)
	p.Float(&x.charge)
	marks := slices.Sorted(maps.Keys(x.marks))
	if p.Reads() {
		x.marks = roast.Marks{}
	}
	imprint.List(p.Coder, &marks, func(kind *pb.MarkKind) {
		imprint.Int(p.Coder, kind)
		at := x.marks[*kind]
		p.Float(&at)
		x.marks[*kind] = at
	})
	p.cursors(&x.about)
	p.cursors(&x.judged)
	imprint.List(p.Coder, &x.found, func(m **pb.Mark) { imprint.Message(p.Coder, m) })
	x.trace.Imprint(p.Coder)
	p.Bool(&x.recalibrated)
}

func (p *press) drum(d *drum) {
	follows := d.tracker != nil
	if p.Bool(&follows); follows {
		if p.Reads() {
			d.tracker = roast.NewTracker()
		}
		d.tracker.Imprint(p.Coder)
	}
	imprint.List(p.Coder, &d.trace, func(x *point) {
		p.Float(&x.at)
		p.Float(&x.cel)
		imprint.Int(p.Coder, &x.number)
		refer(p.Coder, &p.runs, &x.run)
	})
	p.Text(&d.roast)
	d.found.Imprint(p.Coder)
	refer(p.Coder, &p.roasts, &d.ended)
	p.Float(&d.now)
	for i := range d.latest {
		p.Float(&d.latest[i].at)
		p.Float(&d.latest[i].cel)
	}
	p.Float(&d.probe)
	p.pending(&d.pending)
}

func (p *press) pending(x *pending) {
	imprint.List(p.Coder, &x.items, func(i *happened) {
		imprint.Int(p.Coder, &i.what)
		imprint.Int(p.Coder, &i.from)
		imprint.Int(p.Coder, &i.to)
		refer(p.Coder, &p.runs, &i.run)
		p.Float(&i.at)
		p.Bool(&i.roasting)
		refer(p.Coder, &p.roasts, &i.roast)
		p.Float(&i.cel)
		p.Bool(&i.person)
		imprint.Message(p.Coder, &i.mark)
	})
	p.Bytes(&x.bytes)
	imprint.Int(p.Coder, &x.ended)
	p.Bool(&x.anew)
	imprint.Int(p.Coder, &x.lead)
}
