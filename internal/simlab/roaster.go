package simlab

import (
	"math/rand/v2"
	"time"

	"github.com/evenbench/evenbench/internal/simlab/device"
	"github.com/evenbench/evenbench/internal/simlab/drum"
)

// characters of the four drums: alike, and not the same.
var characters = [drums]drum.Character{
	{Air: 1.00, Burner: 1.00, BeanTau: 20, BeanOffset: 0.4, DrumAirTau: 6, InletAirTau: 5},
	{Air: 0.97, Burner: 1.00, BeanTau: 22, BeanOffset: 1.9, DrumAirTau: 7, DrumAirOffset: -1.5, InletAirTau: 5},
	{Air: 1.02, Burner: 0.95, BeanTau: 24, BeanOffset: -1.3, DrumAirTau: 6, InletAirTau: 6, InletAirOffset: 2.5},
	{Air: 1.04, Burner: 1.03, BeanTau: 17, BeanOffset: 0.7, DrumAirTau: 5, DrumAirOffset: 1.0, InletAirTau: 5},
}

// roaster is one drum with the hand on its valve.
type roaster struct {
	station string
	number  uint64
	reader  *device.Thermocouples
	seed    uint64
	random  *rand.Rand // of the probes and the hand; new with every charge
	drum    *drum.Drum
	hand    *drum.Operator
	roast   *roast // the one going on, or the last
	roasts  []*roast
}

// roast is one sample going through one drum.
type roast struct {
	sample  string
	station string
	truth   drum.Truth
	// seen are the moments as they happen, for whoever stands by.
	seen chan moment
}

// moment of a roast that a person sees or hears.
type moment int

const (
	yellow moment = iota
	crack
	drop
	moments // how many there are
)

// prepare puts the drum in the state in which a day begins: preheated, empty.
func (r *roaster) prepare(room float64) {
	r.random = rand.New(rand.NewPCG(r.seed, r.number<<16))
	r.drum = drum.New(characters[r.number], room, r.random)
	r.hand = drum.NewOperator(r.random)
	r.roast, r.roasts = nil, nil
}

// settleAfterDrop is how long a drum needs after a drop until it can be charged
// again.
const settleAfterDrop = 90 * time.Second

// charge puts a sample in the drum and returns the roast that begins; nil if the
// drum is not ready for it.
func (r *roaster) charge(s *sample, room float64) *roast {
	if r.drum.Charged() || r.roast != nil && r.drum.Now()-r.roast.truth.Dropped < settleAfterDrop {
		return nil
	}
	r.roast = &roast{sample: s.code, station: r.station, seen: make(chan moment, moments)}
	r.roasts = append(r.roasts, r.roast)
	r.hand = drum.NewOperator(rand.New(rand.NewPCG(r.seed, r.number<<16|uint64(len(r.roasts)))))
	r.drum.Charge(drum.Green(s.charge, s.moisture/100, room), s.lot.crack)
	r.roast.truth = r.drum.Truth()
	return r.roast
}

// instrument is the name of the drum's reader in the lab file.
func (r *roaster) instrument() string { return r.station + "-probes" }

// probes reads the three sensors, °C.
func (r *roaster) probes() (bean, drumAir, inletAir float64) {
	return r.drum.Bean.Read(r.random), r.drum.DrumAir.Read(r.random), r.drum.InletAir.Read(r.random)
}

// step lets one step pass.
func (r *roaster) step(room float64) {
	r.drum.SetRoom(room)
	full := r.hand.Hold(r.drum)
	r.drum.Advance()
	if !r.drum.Charged() {
		return
	}
	before := r.roast.truth
	r.roast.truth = r.drum.Truth()
	if before.Yellowing == 0 && r.roast.truth.Yellowing > 0 {
		r.roast.seen <- yellow
	}
	if before.FirstCrack == 0 && r.roast.truth.FirstCrack > 0 {
		r.roast.seen <- crack
	}
	if full {
		r.finish()
	}
}

func (r *roaster) finish() {
	r.roast.truth = r.drum.Drop()
	r.roast.seen <- drop
}

// Roast is what really happened to one sample in a drum. Times of its truth are
// since the start of the day.
type Roast struct {
	Sample, Station string
	drum.Truth
	// ChargedAt, TurningPointAt, YellowingAt, FirstCrackAt, DroppedAt are the same
	// on the lab's clock; zero if not come.
	ChargedAt, TurningPointAt, YellowingAt, FirstCrackAt, DroppedAt time.Time
}

func (r *roast) on(began time.Time) Roast {
	at := func(day time.Duration) time.Time {
		if day == 0 {
			return time.Time{}
		}
		return began.Add(day)
	}
	t := r.truth
	return Roast{
		Sample: r.sample, Station: r.station, Truth: t,
		ChargedAt: at(t.Charged), TurningPointAt: at(t.TurningPoint), YellowingAt: at(t.Yellowing),
		FirstCrackAt: at(t.FirstCrack), DroppedAt: at(t.Dropped),
	}
}
