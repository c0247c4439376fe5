package simlab

import (
	"fmt"
	"math/rand/v2"

	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// lot is one parcel of green coffee. Everything about it is invented.
type lot struct {
	code, origin, process string
	kind                  pb.SampleKind
	mark, year            string
	samples               int
	// moisture is the truth, wet basis, %; density g/L; crack °C.
	moisture, density, crack float64
}

// lots of the day. The first is the lab's own reference, which goes through every
// drum before anything else.
var lots = []lot{
	{"REF-26", "house reference", "washed", pb.SampleKind_SAMPLE_KIND_REFERENCE, "", "", 4, 11.0, 690, drum.Crack},
	{"26-0117", "Tres Quebradas", "washed", pb.SampleKind_SAMPLE_KIND_OFFER, "", "", 4, 11.3, 698, drum.Crack + 1},
	{"26-0121", "Alto Merado", "honey", pb.SampleKind_SAMPLE_KIND_OFFER, "", "", 3, 10.6, 684, drum.Crack},
	{"26-0122", "Ngaruwe", "washed", pb.SampleKind_SAMPLE_KIND_PRE_SHIPMENT, "999-0417-0031", "2026/27", 4, 10.9, 705, drum.Crack + 1.5},
	{"26-0124", "Kebelo", "natural", pb.SampleKind_SAMPLE_KIND_OFFER, "", "", 3, 10.6, 671, drum.Crack - 0.5},
	{"26-0126", "Serra do Lume", "pulped natural", pb.SampleKind_SAMPLE_KIND_ARRIVAL, "998-0023-0109", "2025/26", 4, 11.8, 662, drum.Crack - 2},
	{"26-0130", "Bukit Seruni", "wet hulled", pb.SampleKind_SAMPLE_KIND_STOCKLOT, "", "", 2, 12.4, 648, drum.Crack - 2},
	{"26-0131", "Valle Ondo", "washed", pb.SampleKind_SAMPLE_KIND_OFFER, "", "", 3, 11.1, 693, drum.Crack + 0.5},
	{"26-0133", "Hadiya Gere", "natural", pb.SampleKind_SAMPLE_KIND_PRE_SHIPMENT, "997-0208-0015", "2026/27", 3, 10.7, 676, drum.Crack - 0.5},
}

// sample is one bag on the bench, as it really is.
type sample struct {
	code string
	lot  *lot
	// moisture wet basis, %; density g/L; received and charge g.
	moisture, density, received, charge float64
}

func (s *sample) identity() *pb.SampleIdentity {
	return &pb.SampleIdentity{
		Kind: s.lot.kind, Lot: s.lot.code, IcoMark: s.lot.mark, CoffeeYear: s.lot.year,
		Process: s.lot.process, Origin: s.lot.origin,
	}
}

// draw draws the day's samples from the lots, in the order in which they are
// roasted: the reference once in every drum, then a sample of each lot in turn.
func draw(r *rand.Rand) []*sample {
	var all []*sample
	add := func(l *lot) {
		all = append(all, &sample{
			code:     fmt.Sprintf("EB%d", 4101+len(all)),
			lot:      l,
			moisture: l.moisture + 0.2*r.NormFloat64(),
			density:  l.density + 4*r.NormFloat64(),
			received: 352 + 6*r.NormFloat64(),
			charge:   150 + 0.15*r.NormFloat64(),
		})
	}
	for range lots[0].samples {
		add(&lots[0])
	}
	for round := range 4 {
		for i := range lots[1:] {
			if l := &lots[1+i]; round < l.samples {
				add(l)
			}
		}
	}
	// Two samples of unlike size, whose cups will be exchanged.
	all[swapped].charge -= 32
	all[swapped+1].charge += 14
	return all
}
