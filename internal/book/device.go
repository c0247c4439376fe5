package book

import (
	"cmp"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Device is what is known of the device of an instrument.
type Device struct {
	// Own is the identity of the instrument's device; empty as long as none has said
	// what it is.
	Own string
	// Answers is the identity of the device that answered last, in Run.
	Answers, Run string
}

// Device returns what is known of the device of an instrument.
func (b *Book) Device(instrument string) Device { return b.devices[instrument] }

func (b *Book) instrumentIdentified(m *pb.InstrumentIdentified) {
	is := Device{Own: cmp.Or(m.GetExpected(), m.GetIdentity()), Answers: m.GetIdentity(), Run: m.GetRun()}
	if b.devices[m.GetInstrument()].Own == "" {
		// What was calibrated before it said what it is.
		for _, c := range b.calibrations[m.GetInstrument()] {
			c.device = cmp.Or(c.device, is.Own)
		}
	}
	b.devices[m.GetInstrument()] = is
	if r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]; r != nil {
		r.identity = m.GetIdentity()
		r.about = append(r.about, b.last)
	}
}

func (b *Book) instrumentAdopted(m *pb.InstrumentAdopted) {
	d := b.devices[m.GetInstrument()]
	d.Own = m.GetIdentity()
	b.devices[m.GetInstrument()] = d
	if r := b.current[m.GetInstrument()]; r != nil {
		r.about = append(r.about, b.last)
	}
}
