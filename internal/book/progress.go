package book

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/forecast"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Roasting returns the names of the roasts that go on in stations, or in all if none is
// named, in the order of the lab file.
func (b *Book) Roasting(stations []string) []string {
	var ids []string
	for _, p := range b.lab.GetStations() {
		if id := b.RoastOn(p.GetName()); id != "" && (len(stations) == 0 || slices.Contains(stations, p.GetName())) {
			ids = append(ids, id)
		}
	}
	return ids
}

// Progress returns a roast that goes on as it is at a time on the wall clock; nil for
// another. History is that of its drum, see History.
func (b *Book) Progress(id string, history []forecast.Past, now time.Time) *pb.RoastProgress {
	x := b.roasts[id]
	if x == nil || x.pb.GetState() != pb.RoastState_ROAST_STATE_ROASTING || x.run.drum.tracker == nil {
		return nil
	}
	p := &pb.RoastProgress{
		Roast: id, Station: x.pb.GetStation(), ChargedAt: x.pb.GetChargedAt(), ElapsedS: x.run.elapsed(now) - x.charge,
		RateWindowS: roast.RateWindow,
	}
	if x.sample != nil {
		p.Sample = x.sample.record.GetSample()
	} else {
		p.Remarks = append(p.Remarks, "no sample is known to be in it: assign the readings of the roast to the one that is")
	}
	for _, m := range x.pb.GetMarks() {
		p.Marks = append(p.Marks, proto.CloneOf(m))
	}
	x.show(p, b.oldest())
	b.correct(x, p)
	foreseen := forecast.Marks(history, x.now(p.GetElapsedS(), b.oldest()))
	for _, e := range foreseen {
		p.Expected = append(p.Expected, expected(e))
		if e.Overdue {
			p.Remarks = append(p.Remarks, fmt.Sprintf("in the earlier roasts %s had come by now: set the mark if it has", MarkWord(e.Kind)))
		}
	}
	p.Standings = b.standings(x, p, foreseen)
	return p
}

// oldest is how old a reading may be to be shown as what a probe reads now, s: in a
// simulation that runs faster, a second of real time, for readings come in batches.
func (b *Book) oldest() float64 { return max(maxHole, b.opened.GetClockRate()) }

// show fills in what the probes show.
func (x *oneRoast) show(p *pb.RoastProgress, oldest float64) {
	d := x.run.drum
	now := p.GetElapsedS() + x.charge
	of := func(r roast.Role) *float64 {
		if l := d.latest[r]; !math.IsNaN(l.cel) && now-l.at <= oldest {
			return proto.Float64(l.cel)
		}
		return nil
	}
	p.DrumAirCel, p.InletAirCel = of(roast.DrumAir), of(roast.InletAir)
	if n := len(d.trace); n > 0 && d.trace[n-1].at >= x.charge {
		p.ReadS, p.BeanCel = proto.Float64(d.trace[n-1].at-x.charge), proto.Float64(d.trace[n-1].cel)
	}
	switch bean := d.latest[roast.Bean]; {
	case x.run.closed:
		p.Remarks = append(p.Remarks, fmt.Sprintf("%s does not measure: its driver has ended, and the roast goes on when it is back", x.pb.GetInstrument()))
	case now-d.last() > oldest && now-bean.at <= oldest:
		p.BeanCel = nil
		p.Remarks = append(p.Remarks, fmt.Sprintf("the readings of the bean probe have been bad for %.0f s: check the probe", now-d.last()))
	case now-d.last() > oldest:
		p.Remarks = append(p.Remarks, fmt.Sprintf("the bean probe has not been read for %.0f s: check %s", now-d.last(), x.pb.GetInstrument()))
	}
	if r, ok := d.tracker.Rate(); ok && r.From >= x.charge {
		p.RateOfRise, p.RateUncertainty = proto.Float64(r.PerMinute), proto.Float64(r.Uncertainty)
	}
	usable := x.usable()
	for _, m := range x.pb.GetMarks() {
		if _, ok := usable[m.GetKind()]; !ok {
			p.Remarks = append(p.Remarks, fmt.Sprintf("%s at %.0f s does not fit the other marks and is left out: correct one of them", MarkWord(m.GetKind()), m.GetElapsedS()))
		}
	}
	// Usable leaves nothing that could be refused.
	found, _ := d.tracker.Findings(usable, x.methods(), d.probe)
	for _, f := range found {
		p.Findings = append(p.Findings, &pb.Finding{
			Name: f.Name, Value: f.Value, Unit: f.Unit, StandardUncertainty: f.Entry().StandardUncertainty, Method: f.Method,
		})
	}
}

// correct fills in what the bean probe touched, from half a window after the charge on:
// before that, some of its readings are of the empty drum.
func (b *Book) correct(x *oneRoast, p *pb.RoastProgress) {
	lag, by := b.Lag(x.pb.GetRoast())
	if by == "" {
		return
	}
	if c, ok := x.run.drum.tracker.Corrected(lag); ok && c.At-roast.LagWindow/2 >= x.charge {
		p.CorrectedCel, p.CorrectedS = proto.Float64(c.Cel), proto.Float64(c.At-x.charge)
		p.CorrectedUncertainty, p.CorrectedNoise = proto.Float64(c.Standard), proto.Float64(c.Noise)
	}
}

// now is what the forecast is told of a roast that goes on.
func (x *oneRoast) now(elapsed, oldest float64) forecast.Now {
	n := forecast.Now{Elapsed: elapsed, At: math.NaN(), Marks: map[pb.MarkKind]float64{}}
	for kind, at := range x.usable() {
		n.Marks[kind] = at - x.charge
	}
	d := x.run.drum
	// A rate that is old says nothing of now.
	if r, ok := d.tracker.Rate(); ok && r.From >= x.charge && elapsed+x.charge-r.To <= oldest {
		n.At, n.Cel, n.Slope, n.SlopeStandard = r.At-x.charge, r.Cel, r.PerMinute/60, r.Uncertainty/60
	}
	return n
}

func expected(e forecast.Expected) *pb.ExpectedMark {
	m := &pb.ExpectedMark{Kind: e.Kind, Coverage: forecast.Coverage, Roasts: uint32(e.Roasts), Unknown: e.Unknown}
	if e.Unknown == "" {
		m.EarliestS, m.LikelyS, m.LatestS = &e.Earliest, &e.Likely, &e.Latest
	}
	return m
}

// History returns the roasts before one that its drum has had on the same instrument,
// the latest last, as far as a forecast looks back.
func (b *Book) History(id string) []forecast.Past {
	x := b.roasts[id]
	if x == nil {
		return nil
	}
	var before []*oneRoast
	for _, y := range b.roasts {
		if y.station == x.station && y.pb.GetInstrument() == x.pb.GetInstrument() && y.pb.GetState() == pb.RoastState_ROAST_STATE_DROPPED &&
			y.pb.GetChargedAt().AsTime().Before(x.pb.GetChargedAt().AsTime()) {
			before = append(before, y)
		}
	}
	slices.SortFunc(before, func(y, z *oneRoast) int {
		return cmp.Or(y.pb.GetChargedAt().AsTime().Compare(z.pb.GetChargedAt().AsTime()), cmp.Compare(y.pb.GetRoast(), z.pb.GetRoast()))
	})
	var history []forecast.Past
	for _, y := range before[max(0, len(before)-forecast.Most):] {
		history = append(history, y.past())
	}
	return history
}

// past is a roast that has ended as later ones of its drum look back at it: by its
// findings, and where there are none by what its marks say.
func (x *oneRoast) past() forecast.Past {
	var past forecast.Past
	usable := x.usable()
	for _, m := range x.pb.GetMarks() {
		if _, ok := usable[m.GetKind()]; !ok {
			continue
		}
		k := forecast.Knot{Kind: m.GetKind(), At: m.GetElapsedS(), Cel: math.NaN(), Slope: math.NaN()}
		if m.BeanCel != nil {
			k.Cel = m.GetBeanCel()
		}
		word := strings.ReplaceAll(MarkWord(m.GetKind()), " ", "_")
		k.Cel = x.valueOf("bean_at_"+word, k.Cel)
		k.Slope = x.valueOf("rate_of_rise_at_"+word, math.NaN()) / 60
		past = append(past, k)
	}
	fastest := forecast.Knot{
		At: x.valueOf("time_to_greatest_rate_of_rise", math.NaN()), Cel: x.valueOf("bean_at_greatest_rate_of_rise", math.NaN()),
		Slope: x.valueOf("greatest_rate_of_rise", math.NaN()) / 60,
	}
	if !math.IsNaN(fastest.At + fastest.Cel) {
		past = append(past, fastest)
		slices.SortStableFunc(past, func(a, b forecast.Knot) int { return cmp.Compare(a.At, b.At) })
	}
	return past
}

// valueOf returns the value of a finding, or what stands where there is none.
func (x *oneRoast) valueOf(name string, otherwise float64) float64 {
	for _, f := range x.pb.GetFindings() {
		if f.GetName() == name {
			return f.GetValue()
		}
	}
	return otherwise
}
