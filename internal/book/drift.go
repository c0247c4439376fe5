package book

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/evenbench/evenbench/internal/compare"
	"github.com/evenbench/evenbench/internal/matching"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// chartKey names a control chart: of a drum, of one lot of reference coffee, in one
// quantity.
type chartKey struct{ station, lot, name string }

func (k chartKey) compare(l chartKey) int {
	return cmp.Or(cmp.Compare(k.station, l.station), cmp.Compare(k.lot, l.lot), cmp.Compare(k.name, l.name))
}

func (b *Book) drumDrifted(m *pb.DrumDrifted) {
	b.drifts[chartKey{m.GetStation(), m.GetLot(), m.GetName()}] = m
}

// watched are the quantities in which drums are watched: those by which roasts are
// compared.
func (b *Book) watched() compare.Terms {
	written := b.lab.GetParity()
	if written == nil {
		written = compare.Usual()
	}
	// A lab file has been checked; of another record nothing is watched.
	terms, _ := compare.Read(written)
	return terms
}

// watchFinding looks at the chart of a drum of which a reference roast has a new finding,
// watchMeasured at those of what has been measured of it.
func (b *Book) watchFinding(m *pb.FindingMade) {
	if x := b.roasts[m.GetRoast()]; x != nil {
		b.watch(x, func(name string) bool { return name == m.GetName() })
	}
}

func (b *Book) watchMeasured(m *pb.MeasurementTaken) {
	if x := b.roasts[m.GetMeasurement().GetRoast()]; x != nil {
		b.watch(x, func(name string) bool { return name == m.GetMeasurement().GetProperty() })
	}
}

// watch drafts an alarm where the reference roasts of a drum have left the limits of a
// chart, and its end where they are within them again.
func (b *Book) watch(x *oneRoast, concerns func(name string) bool) {
	if b.skims || x.sample == nil || x.sample.record.GetIdentity().GetKind() != pb.SampleKind_SAMPLE_KIND_REFERENCE {
		return
	}
	for _, a := range b.watched().Aspects {
		if !concerns(a.Name) {
			continue
		}
		key := chartKey{x.pb.GetStation(), x.sample.record.GetIdentity().GetLot(), a.Name}
		chart, err := matching.Draw(key.station, b.references(key, a))
		if err != nil {
			continue // there are too few days yet
		}
		was := b.drifts[key]
		if alarmed := was != nil && !was.GetEnded(); alarmed != chart.Alarm {
			b.draftDrift(x, a, key, chart)
		}
	}
}

// references are the values of the reference roasts of one chart, in no order.
func (b *Book) references(key chartKey, a compare.Aspect) []matching.Reference {
	var list []matching.Reference
	for _, s := range b.order {
		if id := s.record.GetIdentity(); id.GetKind() != pb.SampleKind_SAMPLE_KIND_REFERENCE || id.GetLot() != key.lot {
			continue
		}
		// A value in another unit than the tolerance is none.
		roasts, _ := compare.OfRecord(s.record, []compare.Aspect{a})
		for _, r := range roasts {
			x := b.roasts[r.Name]
			if v, ok := r.Values[a.Name]; ok && x.pb.GetStation() == key.station {
				list = append(list, matching.Reference{Roast: r.Name, At: x.pb.GetChargedAt().AsTime(), Value: v.Value})
			}
		}
	}
	return list
}

func (b *Book) draftDrift(x *oneRoast, a compare.Aspect, key chartKey, c matching.Chart) {
	last := c.Points[len(c.Points)-1]
	m := &pb.DrumDrifted{
		Station: key.station, Lot: key.lot, Name: key.name, Unit: a.Unit, Roast: x.pb.GetRoast(), Sample: x.sample.record.GetSample(),
		Target: c.Limits.Target, Lower: last.Lower, Upper: last.Upper, Average: last.Average, Suggested: c.Suggested, Ended: !c.Alarm,
	}
	b.follow(&pb.Entry{Body: &pb.Entry_DrumDrifted{DrumDrifted: m}})
	if !c.Alarm {
		return
	}
	b.flag(&pb.FlagRaised{
		Code: pb.FlagCode_FLAG_CODE_DRUM_DRIFTED, Station: key.station, Sample: m.GetSample(), Roast: m.GetRoast(),
		Text: fmt.Sprintf("%s has drifted: %s of its reference roasts of %s averages %.4g, and should lie in %.4g … %.4g %s: look at the drum, its probes and the reference coffee, and plan a study of the drums; taking off %.3g would bring it back, and nothing does so by itself",
			key.station, compare.Called(a.Name), key.lot, m.GetAverage(), m.GetLower(), m.GetUpper(), a.Unit, m.GetSuggested()),
	})
}

// Charts returns the reference roasts of every drum, by drum, lot and quantity.
func (b *Book) Charts() []ReferenceChart {
	var keys []chartKey
	for _, s := range b.order {
		if s.record.GetIdentity().GetKind() != pb.SampleKind_SAMPLE_KIND_REFERENCE {
			continue
		}
		for _, x := range s.roasts {
			if k := (chartKey{x.pb.GetStation(), s.record.GetIdentity().GetLot(), ""}); x.pb.GetState() == pb.RoastState_ROAST_STATE_DROPPED && !slices.Contains(keys, k) {
				keys = append(keys, k)
			}
		}
	}
	slices.SortFunc(keys, chartKey.compare)
	var list []ReferenceChart
	for _, k := range keys {
		for _, a := range b.watched().Aspects {
			k.name = a.Name
			list = append(list, ReferenceChart{Station: k.station, Lot: k.lot, Aspect: a, Roasts: b.references(k, a)})
		}
	}
	return list
}

// ReferenceChart is what a control chart is drawn from.
type ReferenceChart struct {
	Station, Lot string
	Aspect       compare.Aspect
	Roasts       []matching.Reference
}
