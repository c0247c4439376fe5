package hub

import (
	"slices"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// sieve lets pass the entries that a subscriber asked for.
type sieve struct {
	kinds       map[protowire.Number]bool
	instruments map[string]bool
	samples     map[string]bool
	// ofRoast returns the sample of a roast and the instrument that followed it.
	ofRoast func(roast string) (sample, instrument string)
}

func newSieve(f *pb.EntryFilter, ofRoast func(string) (sample, instrument string)) (*sieve, error) {
	s := &sieve{instruments: set(f.GetInstruments()), samples: set(f.GetSamples()), ofRoast: ofRoast}
	if len(f.GetKinds()) > 0 {
		s.kinds = map[protowire.Number]bool{}
	}
	bodies := (*pb.Entry)(nil).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for _, kind := range f.GetKinds() {
		number := protowire.Number(0)
		var all []string
		for i := range bodies.Len() {
			all = append(all, string(bodies.Get(i).Name()))
			if string(bodies.Get(i).Name()) == kind {
				number = bodies.Get(i).Number()
			}
		}
		if number == 0 {
			return nil, invalid("filter.kinds", "%q is no kind of entry; %s", kind, names(all))
		}
		s.kinds[number] = true
	}
	return s, nil
}

func set(list []string) map[string]bool {
	if len(list) == 0 {
		return nil
	}
	m := map[string]bool{}
	for _, v := range list {
		m[v] = true
	}
	return m
}

// passes tells whether an entry fulfils every condition that is set. An entry that
// cannot be parsed passes: it is not the filter's to hide it.
func (s *sieve) passes(stored ledger.Stored) bool {
	if s.kinds != nil && !s.kinds[stored.Kind] {
		return false
	}
	if s.instruments == nil && s.samples == nil {
		return true
	}
	e, err := stored.Entry()
	if err != nil {
		return true
	}
	m := body(e)
	if s.instruments != nil {
		if !s.instruments[s.instrumentOf(m)] {
			return false
		}
	}
	return s.samples == nil || s.concerns(m)
}

// instrumentOf returns the instrument that an entry's body is about: by name, by the
// reading that was taken, or by the roast that it follows.
func (s *sieve) instrumentOf(m any) string {
	switch m := m.(type) {
	case interface{ GetInstrument() string }:
		return m.GetInstrument()
	case *pb.CalibrationMade:
		return m.GetCalibration().GetInstrument()
	case *pb.MeasurementTaken:
		return m.GetMeasurement().GetInstrument()
	case interface{ GetRoast() string }:
		_, instrument := s.ofRoast(m.GetRoast())
		return instrument
	}
	return ""
}

// concerns tells whether an entry's body is about one of the samples: by name,
// through its roast, or through the readings bound to it.
func (s *sieve) concerns(m any) bool {
	if of, ok := m.(interface{ GetSample() string }); ok && s.samples[of.GetSample()] {
		return true
	}
	if of, ok := m.(*pb.FlagRaised); ok && s.samples[of.GetOtherSample()] {
		return true
	}
	if of, ok := m.(interface{ GetSamples() []string }); ok && slices.ContainsFunc(of.GetSamples(), func(code string) bool { return s.samples[code] }) {
		return true
	}
	if of, ok := m.(interface{ GetRoast() string }); ok && of.GetRoast() != "" {
		if sample, _ := s.ofRoast(of.GetRoast()); s.samples[sample] {
			return true
		}
	}
	if of, ok := m.(*pb.PanelClosed); ok && slices.ContainsFunc(of.GetCups(), func(c *pb.PanelCup) bool { return s.samples[c.GetSample()] }) {
		return true
	}
	b, ok := m.(*pb.ReadingBatch)
	return ok && slices.ContainsFunc(b.GetBindings(), func(y *pb.Binding) bool { return s.samples[y.GetSample()] })
}

// body returns the message in an entry's body; nil if it has none that this
// version knows.
func body(e *pb.Entry) any {
	m := e.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if field == nil {
		return nil
	}
	return m.Get(field).Message().Interface()
}
