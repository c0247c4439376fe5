package drum

import "time"

// Bean temperatures, true ones, at which things are seen and heard in the
// simulation. A probe shows less, by its lag; and every lot cracks at its own.
const (
	yellowing = 152
	// Crack is where a usual lot begins to crack, °C.
	Crack = 198
)

// Truth is what really happened in a roast; times are the drum's. A zero time has
// not come.
type Truth struct {
	Charged, TurningPoint, Yellowing, FirstCrack, Dropped time.Duration
	// ChargeCel and TurningCel are the bean sensor's own temperature, before
	// offset and noise, at the charge and at its lowest, °C; DropCel is the true
	// temperature of the beans at the drop.
	ChargeCel, TurningCel, DropCel float64
	// Masses in g, moistures wet basis and dry-matter loss 0 to 1. What is known
	// only after the drop is 0 until then.
	GreenGrams, GreenMoisture     float64
	RoastedGrams, RoastedMoisture float64
	DryLoss                       float64
}

// Loss returns the loss in mass, 0 to 1.
func (t Truth) Loss() float64 { return 1 - t.RoastedGrams/t.GreenGrams }

// Charge puts beans into the empty drum; they crack at a temperature, °C.
func (d *Drum) Charge(b Beans, crack float64) {
	d.beans, d.crack, d.charged = b, crack, true
	d.roast = Truth{
		Charged:       d.now,
		TurningCel:    d.Bean.Cel,
		GreenGrams:    b.Grams(),
		GreenMoisture: b.Moisture(),
		ChargeCel:     d.Bean.Cel,
	}
}

// Drop lets the beans out into the cooling tray, where air stops the roast, and
// returns what happened. The door stays open for a little while.
func (d *Drum) Drop() Truth {
	d.charged = false
	d.OpenDoor(25 * time.Second)
	d.roast.Dropped = d.now
	d.roast.RoastedGrams = d.beans.Grams()
	d.roast.RoastedMoisture = d.beans.Moisture()
	d.roast.DryLoss = d.beans.DryLoss()
	d.roast.DropCel = d.beans.Cel
	return d.roast
}

// Truth returns what has happened so far in the roast that is going on, or in the
// last one.
func (d *Drum) Truth() Truth { return d.roast }

// notice keeps the first time that the beans look yellow and begin to crack.
func (t *Truth) notice(now time.Duration, b Beans, crack float64) {
	if t.Yellowing == 0 && b.Cel >= yellowing {
		t.Yellowing = now
	}
	if t.FirstCrack == 0 && b.Cel >= crack {
		t.FirstCrack = now
	}
}

// follow keeps where the sensor is lowest, in the first minutes.
func (t *Truth) follow(now time.Duration, sensor float64) {
	if now-t.Charged < 4*time.Minute && sensor < t.TurningCel {
		t.TurningPoint, t.TurningCel = now, sensor
	}
}
