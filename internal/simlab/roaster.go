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

// roaster is one drum with the hand on its valve. The drum has a clock of its own,
// which stands still while a preheated drum waits for a charge that is due: however
// late people are, the roast is the same.
type roaster struct {
	station string
	number  uint64
	reader  *device.Thermocouples
	seed    uint64
	random  *rand.Rand // of what the probes read
	drum    *drum.Drum
	hand    *drum.Operator
	due     time.Duration // of the next charge, on the drum's clock
	ready   done          // when it is due and the drum waits for it
	waits   bool
	roast   *roast // the one going on, or the last
	roasts  []*roast
}

// roast is one sample going through one drum.
type roast struct {
	n       int
	sample  string
	station string
	truth   drum.Truth
	// behind is how far the drum's clock is behind the day.
	behind    time.Duration
	chargedAt time.Duration // time of the day
	// seen are the moments as they happen, for whoever stands by.
	seen chan moment
}

// moment of a roast that a person sees or hears, at a time of the day.
type moment struct {
	what sight
	at   time.Duration
}

type sight int

const (
	yellow sight = iota
	crack
	mended // the bean probe has contact again
	drop
	sights // how many there are
)

// prepare puts the drum in the state in which a day begins: preheated, empty.
func (r *roaster) prepare() {
	r.random = rand.New(rand.NewPCG(r.seed, r.number<<16|1<<15))
	chance := rand.New(rand.NewPCG(r.seed, r.number<<16))
	r.drum = drum.New(characters[r.number], airAt(0).Cel, chance)
	r.hand = drum.NewOperator(chance)
	r.roast, r.roasts = nil, nil
	r.due, r.ready, r.waits = chargeAt(int(r.number)), make(done), false
}

// settleAfterDrop is how long a drum needs after a drop until it can be charged
// again.
const settleAfterDrop = 90 * time.Second

// charge puts a sample in the drum, which must wait for it, at a time of the day, and
// returns the roast that begins.
func (r *roaster) charge(s *sample, day time.Duration) *roast {
	r.roast = &roast{
		n: int(r.number) + drums*len(r.roasts), sample: s.code, station: r.station,
		behind: day - r.drum.Now(), chargedAt: day, seen: make(chan moment, sights),
	}
	r.roasts = append(r.roasts, r.roast)
	r.due, r.ready, r.waits = chargeAt(int(r.number)+drums*len(r.roasts)), make(done), false
	r.hand = drum.NewOperator(rand.New(rand.NewPCG(r.seed, r.number<<16|uint64(len(r.roasts)))))
	r.drum.Charge(drum.Green(s.charge, s.moisture/100, airAt(r.drum.Now()).Cel), s.lot.crack)
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
func (r *roaster) step() {
	switch {
	case r.waits:
		return
	case !r.drum.Charged() && r.drum.Now() >= r.due:
		r.waits = true
		close(r.ready)
		return
	}
	r.drum.SetRoom(airAt(r.drum.Now()).Cel)
	full := r.hand.Hold(r.drum)
	r.drum.Advance()
	if r.drum.Charged() {
		r.follow()
	}
	if full {
		r.roast.truth = r.drum.Drop()
		r.due = max(r.due, r.drum.Now()+settleAfterDrop)
		r.tell(drop)
	}
}

// follow keeps what happens in the roast, and tells who stands by.
func (r *roaster) follow() {
	before := r.roast.truth
	r.roast.truth = r.drum.Truth()
	if before.Yellowing == 0 && r.roast.truth.Yellowing > 0 {
		r.tell(yellow)
	}
	if before.FirstCrack == 0 && r.roast.truth.FirstCrack > 0 {
		r.tell(crack)
	}
	if r.roast.n != openProbe {
		return
	}
	switch r.drum.Now() - r.roast.truth.Charged {
	case probeOpens:
		r.reader.Break(true)
	case probeOpens + probeOpen:
		r.reader.Break(false)
		r.tell(mended)
	}
}

func (r *roaster) tell(what sight) {
	r.roast.seen <- moment{what, r.drum.Now() + r.roast.behind}
}

// Roast is what really happened to one sample in a drum. Times of its truth are on the
// drum's clock.
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
		return began.Add(day + r.behind)
	}
	t := r.truth
	return Roast{
		Sample: r.sample, Station: r.station, Truth: t,
		ChargedAt: at(t.Charged), TurningPointAt: at(t.TurningPoint), YellowingAt: at(t.Yellowing),
		FirstCrackAt: at(t.FirstCrack), DroppedAt: at(t.Dropped),
	}
}
