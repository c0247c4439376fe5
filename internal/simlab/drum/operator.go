package drum

import (
	"math/rand/v2"
	"time"
)

// Preheat is the inlet air of a drum that waits for its charge, °C.
const Preheat = 232

// course is the inlet air that the operator aims at, °C, by the time since the
// charge: a soft start, full heat, then less and less.
var course = []struct {
	after time.Duration
	cel   float64
}{
	{0, 260},
	{40 * time.Second, 332},
	{4 * time.Minute, 332},
	{7 * time.Minute, 318},
	{10 * time.Minute, 300},
	{14 * time.Minute, 290},
}

// Operator is the hand on one drum's valve. It watches and listens, and decides
// when to drop; a person who is busy elsewhere is a little late.
type Operator struct {
	// Development is how long after first crack the beans are dropped.
	Development time.Duration
	// Lean is how far this roast's hand is from the course, K.
	Lean float64
	hand Wander
}

// NewOperator returns a hand for one roast: no two are alike.
func NewOperator(r *rand.Rand) *Operator {
	return &Operator{
		Development: 90*time.Second + time.Duration(r.IntN(31))*time.Second,
		Lean:        4 * r.NormFloat64(),
		hand:        Wander{Spread: 3, Memory: 20},
	}
}

// longest is when a roast is dropped whether it has cracked or not.
const longest = 15 * time.Minute

// turnedDown is how long the burner is low after a drop, while the beans cool.
const turnedDown = 45 * time.Second

// Hold sets the drum's valve for this moment and says whether it is time to drop.
// It is called once a Step.
func (o *Operator) Hold(d *Drum) (drop bool) {
	noise := o.hand.Step(stepSeconds, d.random)
	if !d.charged {
		if dropped := d.roast.Dropped; dropped > 0 && d.now-dropped < turnedDown {
			d.SetInlet(100)
		} else {
			d.SetInlet(Preheat + noise)
		}
		return false
	}
	since := d.now - d.roast.Charged
	d.SetInlet(aim(since) + o.Lean + noise)
	cracked := d.roast.FirstCrack
	return since >= longest || cracked > 0 && d.now-cracked >= o.Development
}

func aim(since time.Duration) float64 {
	for i := 1; i < len(course); i++ {
		a, b := course[i-1], course[i]
		if since < b.after {
			return a.cel + (b.cel-a.cel)*float64(since-a.after)/float64(b.after-a.after)
		}
	}
	return course[len(course)-1].cel
}
