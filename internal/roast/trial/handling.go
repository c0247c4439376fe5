package main

import (
	"math/rand/v2"
	"time"

	"github.com/evenbench/evenbench/internal/roast"
	"github.com/evenbench/evenbench/internal/simlab/drum"
)

// hand does to an empty drum what people do between roasts.
type hand struct {
	random   *rand.Rand
	operator *drum.Operator
	next     time.Duration
	lifted   time.Duration // until then
	out      time.Duration // the burner is out until then
	full     time.Duration // and then at full heat until then
}

func newHand(r *rand.Rand) *hand {
	h := &hand{random: r, operator: drum.NewOperator(r)}
	h.next = h.seconds(60, 300)
	return h
}

func (h *hand) seconds(low, high int) time.Duration {
	return time.Duration(low+h.random.IntN(high-low)) * time.Second
}

// touch does what is due before the next step of the drum.
func (h *hand) touch(d *drum.Drum) {
	if d.Now() >= h.next {
		h.handle(d)
		h.next = max(d.Now(), h.full-5*time.Minute) + h.seconds(60, 600)
	}
	d.Lifted = d.Now() < h.lifted
	h.operator.Hold(d)
	switch {
	case d.Now() < h.out:
		d.SetInlet(22)
	case d.Now() < h.full:
		d.SetInlet(332)
	}
}

func (h *hand) handle(d *drum.Drum) {
	now := d.Now()
	switch h.random.IntN(6) {
	case 0: // lifted, for a look or for as long as a cleaning takes
		h.lifted = now + h.seconds(3, 300)
	case 1: // the door
		d.OpenDoor(h.seconds(2, 180))
	case 2: // both at once
		h.lifted = now + h.seconds(3, 200)
		d.OpenDoor(h.seconds(2, 180))
	case 3: // touched, or wiped with a cold cloth
		d.Bean.Cel -= 3 + 60*h.random.Float64()
	case 4: // the burner out for a moment, then lit again
		h.out = now + h.seconds(30, 400)
	case 5: // cooled down, then lit and heated up at full heat
		h.out = now + h.seconds(600, 1800)
		h.full = h.out + h.seconds(60, 300)
	}
}

// handling lets an empty drum stand for a while and be handled as people do, and
// returns what the tracker took for something.
func handling(seed uint64, long time.Duration, l lab, air bool) []roast.Event {
	random := rand.New(rand.NewPCG(seed, 78))
	c := randomConditions(random, l, air)
	d := drum.New(c.character, 22, random)
	c.set(d)
	hand := newHand(random)
	w := &wire{conditions: c, random: random}
	t := roast.NewTracker()
	var events []roast.Event
	for d.Now() < long {
		hand.touch(d)
		d.Advance()
		w.sample(d.Now().Seconds(), d.Bean.Read(random), d.DrumAir.Read(random), d.InletAir.Read(random), func(r roast.Reading) {
			events = append(events, t.Feed(r)...)
		})
	}
	return events
}
