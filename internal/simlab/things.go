package simlab

import (
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/simlab/device"
)

// things are what stands on the bench.
type things struct {
	roasters       [drums]*roaster
	receptionScale *device.Scale
	scanner        *device.Scanner
	moistureMeter  *device.MoistureMeter
	batchScale     *device.Scale
	colourMeter    *device.ColourMeter
	climate        *device.Climate

	instruments []instrument // in the order of the lab file
	air         device.Air   // of the room
}

// instrument is a device with what the lab file says of it.
type instrument struct {
	name, station, sheet string
	device               device.Device
	// property that a mass has at this station; empty: as the sheet says.
	mass string
}

// meterBehind is how far the moisture meter's own clock is behind: nobody sets it.
const meterBehind = 190 * time.Second

// build puts everything on the bench and opens the cables.
func (l *Lab) build(w wiring) (err error) {
	var failed []error
	add := func(name, station, sheet, mass string, d device.Device, err error) {
		if err != nil {
			failed = append(failed, fmt.Errorf("%s: %w", name, err))
			return
		}
		l.instruments = append(l.instruments, instrument{name, station, sheet, d, mass})
	}
	l.receptionScale, err = device.NewScale(w.network)
	add("reception-scale", "reception", "bench-scale", "received_mass", l.receptionScale, err)
	l.scanner, err = device.NewScanner(w.network)
	add("bench-scanner", "moisture-bench", "label-scanner", "", l.scanner, err)
	l.moistureMeter, err = device.NewMoistureMeter(w.network)
	add("moisture-meter", "moisture-bench", "moisture-meter", "", l.moistureMeter, err)
	for i := range l.roasters {
		r := &roaster{station: fmt.Sprintf("drum-%d", i+1), number: uint64(i), seed: l.seed}
		l.roasters[i] = r
		name, sheet, open := r.instrument(), "thermocouple-reader", device.NewThermocouplesText
		if i == drums-1 {
			sheet, open = "thermocouple-reader-modbus", device.NewThermocouplesModbus
		}
		r.reader, err = open(w.network, r.probes)
		add(name, r.station, sheet, "", r.reader, err)
	}
	l.batchScale, err = device.NewScale(w.serial)
	add("batch-scale", "weigh-out", "bench-scale", "batch_mass", l.batchScale, err)
	l.colourMeter, err = device.NewColourMeter(w.network)
	add("colour-meter", "colour-bench", "colour-meter", "", l.colourMeter, err)
	l.climate, err = device.NewClimate(w.network, func() device.Air { return l.air })
	add("room-climate", "room", "climate-probe", "", l.climate, err)
	return errors.Join(failed...)
}

// prepare puts everything in the state in which a day begins.
func (l *Lab) prepare() {
	l.air = airAt(0)
	for _, r := range l.roasters {
		r.prepare()
	}
	for i, x := range l.instruments {
		x.device.Prepare(l.seed+uint64(i)<<32, l.bench.began.Add(-meterBehind))
	}
}

// move lets one step pass for everything.
func (l *Lab) move(now time.Duration, late bool) {
	l.air = airAt(now)
	for _, r := range l.roasters {
		r.step()
	}
	for _, x := range l.instruments {
		x.device.Step(now, late)
	}
}

// airAt is the air of the room at a time of the day: warmer and drier as the drums
// work, with a slow swing as the door goes.
func airAt(day time.Duration) device.Air {
	h := day.Hours()
	return device.Air{
		Cel:      21.5 + 1.2*h + 0.4*math.Sin(7*h),
		Humidity: 54 - 3*h + 1.5*math.Sin(5*h+1),
		Pressure: 871.5 + 0.4*math.Sin(h), // a lab at about 1,250 m
	}
}

// unplug closes every cable.
func (l *Lab) unplug() {
	for _, x := range l.instruments {
		x.device.Cable().Close()
	}
}

// plug mends every cable.
func (l *Lab) plug() error {
	var failed []error
	for _, x := range l.instruments {
		failed = append(failed, x.device.Cable().Plug())
	}
	return errors.Join(failed...)
}

// source returns the chance of one part of the lab, so that what happens in one
// part changes nothing in another.
func source(seed uint64, part string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(part))
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

func sortByCharge(all []Roast) {
	slices.SortFunc(all, func(a, b Roast) int { return a.ChargedAt.Compare(b.ChargedAt) })
}
