package drum

import (
	"math/rand/v2"
	"time"
)

// Step is the fixed step of the simulation.
const Step = 100 * time.Millisecond

const stepSeconds = 0.1

// The machine: a gas-fired drum for 100 to 250 g. Invented constants of a
// plausible size, but for the burner.
const (
	// burnerPower is 8,000 BTU/h, kW: common for a sample drum.
	burnerPower = 2.345
	// gasFlow is the heat capacity of the gas that passes, kW/K: at full power it
	// enters about 390 K warmer than the room.
	gasFlow = 0.006
	// gasToBeans, kW/K per kg dry: the value of the model's worked course.
	gasToBeans = 0.0075
	// gasToMetal and metalToRoom, kW/K; metalCapacity, kJ/K.
	gasToMetal    = 0.004
	metalToRoom   = 0.0008
	metalCapacity = 0.9
	// doorFlow is the room air that an open door lets in, kW/K.
	doorFlow = 0.008
	// burnerLag is how long the inlet air takes to follow the valve, s.
	burnerLag = 12
)

// Character is what makes one drum differ from its neighbour.
type Character struct {
	// Air scales the heat transfer to the beans, Burner the power; 1 is nominal.
	Air, Burner float64
	// The three probes: lag in seconds, offset in kelvin.
	BeanTau, BeanOffset         float64
	DrumAirTau, DrumAirOffset   float64
	InletAirTau, InletAirOffset float64
}

// Nominal is a drum as drawn.
var Nominal = Character{Air: 1, Burner: 1, BeanTau: 20, DrumAirTau: 6, InletAirTau: 5}

// Drum is one sample roaster. Its methods are for one goroutine.
type Drum struct {
	// Bean, DrumAir and InletAir are the probes.
	Bean, DrumAir, InletAir Probe
	// Lifted takes the bean probe out into the room.
	Lifted bool

	character Character
	random    *rand.Rand
	now       time.Duration
	room      float64

	target float64 // inlet air that the valve is set for, °C
	inlet  float64 // inlet air, °C
	gas    float64 // air round the beans, °C
	metal  float64 // drum wall, °C

	doorUntil time.Duration
	tumbling  Wander // what the bean probe touches is not always a bean

	charged bool
	beans   Beans
	roast   Truth
	crack   float64 // where these beans begin to crack, °C
}

// New returns a drum that has been preheated to about 200 °C on its bean probe,
// in a room of a temperature (°C).
func New(c Character, room float64, r *rand.Rand) *Drum {
	d := &Drum{
		Bean:      Probe{Tau: c.BeanTau, Offset: c.BeanOffset, Noise: 0.12},
		DrumAir:   Probe{Tau: c.DrumAirTau, Offset: c.DrumAirOffset, Noise: 0.25},
		InletAir:  Probe{Tau: c.InletAirTau, Offset: c.InletAirOffset, Noise: 0.4},
		character: c,
		random:    r,
		room:      room,
		target:    Preheat,
		inlet:     Preheat,
		metal:     settled(room),
		tumbling:  Wander{Spread: 0.5, Memory: 3},
	}
	d.gas = d.mixed()
	d.Bean.Cel, d.DrumAir.Cel, d.InletAir.Cel = d.touched(), d.gas, d.inlet
	return d
}

// settled is the temperature of the metal of an empty drum that has been held at
// Preheat for long, °C: gas and room pull it equally.
func settled(room float64) float64 {
	mixed := gasFlow / (gasFlow + gasToMetal) // share of the inlet air in the gas
	return (gasToMetal*mixed*Preheat + metalToRoom*room) / (gasToMetal*mixed + metalToRoom)
}

// SetInlet sets the valve for an inlet-air temperature, °C; the burner gives what
// it can.
func (d *Drum) SetInlet(cel float64) { d.target = cel }

// SetRoom sets the temperature of the room, °C.
func (d *Drum) SetRoom(cel float64) { d.room = cel }

// OpenDoor opens the discharge door for a while.
func (d *Drum) OpenDoor(long time.Duration) { d.doorUntil = d.now + long }

// Charged says whether there are beans in the drum.
func (d *Drum) Charged() bool { return d.charged }

// Now returns the time since the drum was made.
func (d *Drum) Now() time.Duration { return d.now }

// Advance lets one Step pass.
func (d *Drum) Advance() {
	d.now += Step
	highest := d.room + d.character.Burner*burnerPower/gasFlow
	d.inlet += stepSeconds * (min(d.target, highest) - d.inlet) / burnerLag
	d.gas = d.mixed()

	d.metal += stepSeconds * (gasToMetal*(d.gas-d.metal) - metalToRoom*(d.metal-d.room)) / metalCapacity
	if d.charged {
		d.beans.Step(stepSeconds, d.transfer()*(d.gas-d.beans.Cel))
		d.roast.notice(d.now, d.beans, d.crack)
	}

	touched := d.touched()
	if d.Lifted {
		touched = d.room
	}
	d.Bean.Step(stepSeconds, touched+d.tumbling.Step(stepSeconds, d.random))
	d.DrumAir.Step(stepSeconds, d.gas)
	d.InletAir.Step(stepSeconds, d.inlet)
	if d.charged {
		d.roast.follow(d.now, d.Bean.Cel)
	}
}

// transfer is kW/K per kg dry from the gas to the beans.
func (d *Drum) transfer() float64 { return gasToBeans * d.character.Air }

func (d *Drum) doorOpen() bool { return d.now < d.doorUntil }

// mixed is the temperature of the gas in the drum: what flows in, balanced by
// what takes heat from it.
func (d *Drum) mixed() float64 {
	heat := gasFlow*d.inlet + gasToMetal*d.metal
	flow := gasFlow + gasToMetal
	if d.charged {
		beans := d.transfer() * d.beans.Dry
		heat += beans * d.beans.Cel
		flow += beans
	}
	if d.doorOpen() {
		heat += doorFlow * d.room
		flow += doorFlow
	}
	return heat / flow
}

// touched is the temperature that the bean probe is exposed to: in a charged drum
// beans and a little gas, in an empty one gas and the glow of the metal.
func (d *Drum) touched() float64 {
	if d.charged {
		return 0.92*d.beans.Cel + 0.08*d.gas
	}
	return 0.6*d.gas + 0.4*d.metal
}
