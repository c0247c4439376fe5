package drum

import (
	"math/rand/v2"
	"time"
)

// Plan is what to record: roasts one after the other in one drum.
type Plan struct {
	Seed      uint64
	Character Character
	// Every is the time between readings: a multiple of Step.
	Every time.Duration
	// Preheat is how long the drum is empty before each charge.
	Preheat time.Duration
	Charges []Charge
	// Disturb is called before every step, for what a test wants to go wrong; nil
	// for an undisturbed record.
	Disturb func(*Drum)
}

// Charge is one sample to roast.
type Charge struct {
	// Grams of green coffee, and its moisture, wet basis, 0 to 1.
	Grams, Moisture float64
}

// Recording is what the probes showed, and what really happened. Reading i was
// taken at (i+1)·Every.
type Recording struct {
	Every                   time.Duration
	Bean, DrumAir, InletAir []float64
	Roasts                  []Truth
}

// Record carries out the plan, and two minutes of cooling after the last drop.
func Record(p Plan) Recording {
	random := rand.New(rand.NewPCG(p.Seed, 1))
	d := New(p.Character, 22, random)
	rec := Recording{Every: p.Every}
	step := func() {
		if p.Disturb != nil {
			p.Disturb(d)
		}
		d.Advance()
		if d.now%p.Every == 0 {
			rec.Bean = append(rec.Bean, d.Bean.Read(random))
			rec.DrumAir = append(rec.DrumAir, d.DrumAir.Read(random))
			rec.InletAir = append(rec.InletAir, d.InletAir.Read(random))
		}
	}
	for _, c := range p.Charges {
		hand := NewOperator(random)
		for end := d.now + p.Preheat; d.now < end; {
			hand.Hold(d)
			step()
		}
		d.Charge(Green(c.Grams, c.Moisture, 22), Crack)
		for !hand.Hold(d) {
			step()
		}
		rec.Roasts = append(rec.Roasts, d.Drop())
	}
	rest := NewOperator(random)
	for end := d.now + 2*time.Minute; d.now < end; {
		rest.Hold(d)
		step()
	}
	return rec
}
