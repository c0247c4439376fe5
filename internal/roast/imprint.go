package roast

import "github.com/evenbench/evenbench/internal/imprint"

// Imprint codes the state of a tracker: one that was read goes on like the one that was
// written.
func (t *Tracker) Imprint(c *imprint.Coder) {
	for i := range t.sieves {
		t.sieves[i].imprint(c)
	}
	t.bean.imprint(c)
	t.air.imprint(c)
	t.rate.imprint(c)
	imprint.Int(c, &t.phase)
	c.Float(&t.now)
	c.Float(&t.since)
	t.fall.imprint(c)
	for i := range t.marks {
		c.Float(&t.marks[i])
	}
	c.Float(&t.level)
	t.low.imprint(c)
	t.peak.imprint(c)
	imprint.Int(c, &t.lately)
	c.Float(&t.restless)
}

func (p *point) imprint(c *imprint.Coder) {
	c.Float(&p.at)
	c.Float(&p.cel)
}

func (s *sieve) imprint(c *imprint.Coder) {
	c.Float(&s.last)
	imprint.Int(c, &s.slot)
	imprint.Int(c, &s.n)
	c.Float(&s.sum)
	for i := range s.values {
		c.Float(&s.values[i])
	}
	for i := range s.recent {
		s.recent[i].imprint(c)
	}
	imprint.Int(c, &s.held)
}

// imprint codes the points that are in the ring, from the oldest on: where in it they lie
// means nothing.
func (r *ring) imprint(c *imprint.Coder) {
	n := c.Len(r.n)
	if c.Reads() {
		*r = ring{}
	}
	for i := n - 1; i >= 0; i-- {
		var p point
		if !c.Reads() {
			p = r.back(i)
		}
		if p.imprint(c); c.Reads() {
			r.add(p)
		}
	}
}

func (r *RateOfRise) imprint(c *imprint.Coder) {
	c.Float(&r.window)
	n := c.Len(r.n)
	if c.Reads() {
		r.first, r.n = 0, min(n, ratePoints)
	}
	for i := range r.n {
		r.points[(r.first+i)%ratePoints].imprint(c)
	}
}

func (f *fall) imprint(c *imprint.Coder) {
	c.Bool(&f.open)
	f.base.imprint(c)
	for _, v := range []*float64{&f.level, &f.onset, &f.first} {
		c.Float(v)
	}
	c.Bool(&f.refined)
	c.Bool(&f.sharp)
	f.low.imprint(c)
	f.air.imprint(c)
	c.Bool(&f.airSeen)
	for _, v := range []*float64{&f.airDip, &f.rest, &f.restMost, &f.warming} {
		c.Float(v)
	}
	imprint.Int(c, &f.hits)
}

func (l *line) imprint(c *imprint.Coder) {
	for _, v := range []*float64{&l.at, &l.cel, &l.slope, &l.spread} {
		c.Float(v)
	}
	imprint.Int(c, &l.n)
}

// Imprint codes an event.
func (e *Event) Imprint(c *imprint.Coder) {
	imprint.Int(c, &e.What)
	for _, v := range []*float64{&e.At, &e.Found, &e.Cel} {
		c.Float(v)
	}
	c.Text(&e.Method)
	c.Text(&e.Reason)
}

// Imprint codes a trace.
func (t *Trace) Imprint(c *imprint.Coder) {
	imprint.List(c, &t.At, c.Float)
	imprint.List(c, &t.Cel, c.Float)
	c.Float(&t.Standard)
}
