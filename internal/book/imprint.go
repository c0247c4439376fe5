package book

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/imprint"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Imprint codes the state of a Skim between two entries, so that another one can go on
// from there: it comes to what this one comes to. A Skim that is read into must be new.
func (s *Skim) Imprint(c *imprint.Coder) error {
	if s.Book.unsure != nil {
		return s.Book.unsure
	}
	p := press{Coder: c, b: s.Book}
	p.find()
	p.book()
	refer(c, &p.runs, &s.waits)
	imprint.List(c, &s.step, func(e **pb.Entry) { imprint.Message(c, e) })
	return c.End()
}

// press codes a book. What things the book has comes first, and then what each of them
// is, in which others go by their place among the things.
type press struct {
	*imprint.Coder
	b        *Book
	samples  things[sample]
	stations things[station]
	runs     things[run]
	drums    things[drum]
	roasts   things[oneRoast]
}

// things are all of one kind.
type things[T any] struct {
	list []*T
	at   map[*T]int // from 1 on; 0 stands for none
}

func (t *things[T]) add(x *T) {
	if t.at == nil {
		t.at = map[*T]int{}
	}
	if _, have := t.at[x]; have || x == nil {
		return
	}
	t.list = append(t.list, x)
	t.at[x] = len(t.list)
}

func allocate[T any](c *imprint.Coder, t *things[T]) {
	n := c.Len(len(t.list))
	if !c.Reads() {
		return
	}
	t.list = make([]*T, n)
	for i := range t.list {
		t.list[i] = new(T)
	}
}

// refer codes which one of the things x is.
func refer[T any](c *imprint.Coder, t *things[T], x **T) {
	i := t.at[*x]
	if !c.Reads() && i == 0 && *x != nil {
		c.Fail(fmt.Errorf("write a book: it refers to a %T that is not in it", *x))
	}
	imprint.Int(c, &i)
	switch {
	case !c.Reads():
	case i < 0 || i > len(t.list):
		c.Fail(fmt.Errorf("read a book: it has %d of %T, and refers to number %d", len(t.list), *x, i))
	case i == 0:
		*x = nil
	default:
		*x = t.list[i-1]
	}
}

// find lists what the book has, always in the same order, or makes as much of it as is
// read.
func (p *press) find() {
	if !p.Reads() {
		for _, s := range p.b.order {
			p.samples.add(s)
		}
		for _, name := range slices.Sorted(maps.Keys(p.b.stations)) {
			p.stations.add(p.b.stations[name])
		}
		for _, key := range slices.SortedFunc(maps.Keys(p.b.runs), runKey.compare) {
			r := p.b.runs[key]
			p.runs.add(r)
			p.drums.add(r.drum)
		}
		for _, id := range slices.Sorted(maps.Keys(p.b.roasts)) {
			p.roasts.add(p.b.roasts[id])
		}
	}
	allocate(p.Coder, &p.samples)
	allocate(p.Coder, &p.stations)
	allocate(p.Coder, &p.runs)
	allocate(p.Coder, &p.drums)
	allocate(p.Coder, &p.roasts)
}

func (k runKey) compare(l runKey) int {
	return cmp.Or(strings.Compare(k.instrument, l.instrument), strings.Compare(k.run, l.run))
}

func (p *press) book() {
	b := p.b
	imprint.Int(p.Coder, &b.last)
	imprint.Message(p.Coder, &b.opened)
	imprint.Message(p.Coder, &b.lab)
	p.cursors(&b.labs)
	for _, s := range p.samples.list {
		p.sample(s)
	}
	for _, st := range p.stations.list {
		p.station(st)
	}
	for _, r := range p.runs.list {
		p.run(r)
	}
	for _, x := range p.roasts.list {
		p.roast(x)
	}
	for _, d := range p.drums.list {
		p.drum(d)
	}
	p.keyed(b)
	imprint.List(p.Coder, &b.sessions, func(s **pb.PanelSession) { imprint.Message(p.Coder, s) })
	imprint.List(p.Coder, &b.changes, func(x *change) {
		imprint.Int(p.Coder, &x.cursor)
		refer(p.Coder, &p.samples, &x.sample)
	})
	p.matched(b)
	imprint.Int(p.Coder, &b.codes)
	imprint.Int(p.Coder, &b.roastsNamed)
	p.Time(&b.now)
	imprint.Int(p.Coder, &b.cause)
}

// keyed codes what the book finds by name.
func (p *press) keyed(b *Book) {
	current := slices.Sorted(maps.Keys(b.current))
	imprint.List(p.Coder, &current, func(instrument *string) {
		p.Text(instrument)
		r := b.current[*instrument]
		refer(p.Coder, &p.runs, &r)
		b.current[*instrument] = r
	})
	requests := slices.Sorted(maps.Keys(b.requests))
	imprint.List(p.Coder, &requests, func(id *string) {
		p.Text(id)
		e := b.requests[*id]
		imprint.Message(p.Coder, &e)
		b.requests[*id] = e
	})
	devices := slices.Sorted(maps.Keys(b.devices))
	imprint.List(p.Coder, &devices, func(instrument *string) {
		p.Text(instrument)
		d := b.devices[*instrument]
		p.Text(&d.Own)
		p.Text(&d.Answers)
		p.Text(&d.Run)
		b.devices[*instrument] = d
	})
	p.assured(b)
	if !p.Reads() || p.Err() != nil {
		return
	}
	for _, s := range p.samples.list {
		b.samples[s.record.GetSample()] = s
	}
	for _, st := range p.stations.list {
		b.stations[st.pb.GetName()] = st
	}
	for _, r := range p.runs.list {
		b.runs[runKey{r.pb.GetInstrument(), r.pb.GetRun()}] = r
	}
	for _, x := range p.roasts.list {
		b.roasts[x.pb.GetRoast()] = x
	}
	b.order = p.samples.list
}

// assured codes the calibrations and the checks.
func (p *press) assured(b *Book) {
	calibrated := slices.Sorted(maps.Keys(b.calibrations))
	imprint.List(p.Coder, &calibrated, func(instrument *string) {
		p.Text(instrument)
		list := b.calibrations[*instrument]
		imprint.List(p.Coder, &list, func(c **calibration) {
			if p.Reads() {
				*c = &calibration{}
			}
			imprint.Message(p.Coder, &(*c).entry)
			device := (*c).device
			p.Text(&device)
			if p.Reads() && p.Err() == nil {
				*c = newCalibration((*c).entry)
				(*c).device = device
			}
		})
		b.calibrations[*instrument] = list
	})
	keys := b.sortedChecks()
	imprint.List(p.Coder, &keys, func(k *checkKey) {
		p.Text(&k.instrument)
		p.Text(&k.channel)
		p.Text(&k.name)
		x := b.checks[*k]
		if p.Reads() {
			x = &checked{}
			b.checks[*k] = x
		}
		imprint.Message(p.Coder, &x.last)
		imprint.Int(p.Coder, &x.settled)
		p.Bool(&x.failed)
		imprint.List(p.Coder, &x.doubts, func(d **doubt) {
			if p.Reads() {
				*d = &doubt{}
			}
			imprint.Message(p.Coder, &(*d).pb)
			imprint.Int(p.Coder, &(*d).until)
		})
	})
}

// matched codes the studies of drums, and which drums have drifted.
func (p *press) matched(b *Book) {
	imprint.List(p.Coder, &b.studies, func(st **study) {
		if p.Reads() {
			*st = &study{}
		}
		imprint.Message(p.Coder, &(*st).planned)
		imprint.List(p.Coder, &(*st).charges, func(c *charge) {
			p.Bool(&c.queued)
			p.Bool(&c.left)
			p.Text(&c.roast)
		})
		p.Bool(&(*st).ended)
		p.Text(&(*st).reason)
	})
	keys := slices.SortedFunc(maps.Keys(b.drifts), chartKey.compare)
	imprint.List(p.Coder, &keys, func(k *chartKey) {
		m := b.drifts[*k]
		imprint.Message(p.Coder, &m)
		b.drifts[chartKey{m.GetStation(), m.GetLot(), m.GetName()}] = m
	})
}

func (p *press) sample(s *sample) {
	imprint.Message(p.Coder, &s.record)
	imprint.List(p.Coder, &s.roasts, func(x **oneRoast) { refer(p.Coder, &p.roasts, x) })
	on := slices.Sorted(maps.Keys(s.on))
	imprint.List(p.Coder, &on, p.Text)
	if p.Reads() {
		s.on = map[string]bool{}
		for _, name := range on {
			s.on[name] = true
		}
	}
}

func (p *press) station(st *station) {
	imprint.Message(p.Coder, &st.pb)
	imprint.List(p.Coder, &st.queue, func(s **sample) { refer(p.Coder, &p.samples, s) })
	imprint.List(p.Coder, &st.stays, func(y *stay) {
		refer(p.Coder, &p.samples, &y.sample)
		p.Time(&y.from)
		p.Time(&y.to)
		p.Bool(&y.measured)
		imprint.Int(p.Coder, &y.placement)
	})
	refer(p.Coder, &p.roasts, &st.roast)
	p.Bool(&st.unused)
}

// nested codes a message that is the very one that lies in a list, if there is a list.
func nested[T any, M interface {
	*T
	proto.Message
}](c *imprint.Coder, owned bool, list []M, m *M) {
	if !owned {
		imprint.Message(c, m)
		return
	}
	i := 0
	if !c.Reads() {
		if i = slices.Index(list, *m); i < 0 {
			c.Fail(fmt.Errorf("write a book: a %T is not where it belongs", *m))
			return
		}
	}
	imprint.Int(c, &i)
	if !c.Reads() {
		return
	}
	if i < 0 || i >= len(list) {
		c.Fail(errors.New("read a book: something is not where it belongs"))
		return
	}
	*m = list[i]
}
