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
	b.devices[m.GetInstrument()] = Device{
		Own: cmp.Or(m.GetExpected(), m.GetIdentity()), Answers: m.GetIdentity(), Run: m.GetRun(),
	}
}

func (b *Book) instrumentAdopted(m *pb.InstrumentAdopted) {
	d := b.devices[m.GetInstrument()]
	d.Own = m.GetIdentity()
	b.devices[m.GetInstrument()] = d
}
