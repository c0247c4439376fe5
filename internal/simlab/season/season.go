// Package season plays two weeks of a sample lab at once, of which everything is known
// that a lab never knows: how good each lot really is, how each drum really roasts. Its
// record is folded, compared and ranked by the hub's own code, and the ranking is held
// against the truth: once by whatever roast each lot had, and once by roasts that were
// alike, after what was not alike was roasted again.
//
// Coffees, drums, people and what a roast does to a score are invented.
package season

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/compare"
	"github.com/evenbench/evenbench/internal/matching"
	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The season: so many working days, lots a day, which are one table of the panel, and
// assessors; and how often a sample is roasted again at most.
const (
	days      = 10
	lotsADay  = 12
	assessors = 6
	mostAgain = 2
)

// What is really so. Quality is in points of a score.
const (
	meanQuality, sdQuality = 83, 1.5
	// A roast that loses as much dry matter as aimAt, %, shows all of it; one that is off
	// by 1 point loses offAim points of score.
	aimAt, offAim = 7.3, 1.6
	// Ground colour at that loss, and how much darker it is for each point more.
	colourAtAim, colourPerPoint = 63, 7
	// An assessor scores this much too high or low always, and this much at random.
	sdBias, sdScore = 0.8, 0.7
)

// How each drum differs: how heat gets to the beans, and how late its crack is heard over
// its noise.
var character = []drum.Character{
	{Air: 1.00, Burner: 1.00, BeanTau: 20, BeanOffset: 0.4, DrumAirTau: 6, InletAirTau: 5},
	{Air: 0.97, Burner: 1.00, BeanTau: 22, BeanOffset: 1.9, DrumAirTau: 7, DrumAirOffset: -1.5, InletAirTau: 5},
	{Air: 1.02, Burner: 0.98, BeanTau: 24, BeanOffset: -1.3, DrumAirTau: 6, InletAirTau: 6, InletAirOffset: 2.5},
	{Air: 1.04, Burner: 1.02, BeanTau: 17, BeanOffset: 0.7, DrumAirTau: 5, DrumAirOffset: 1.0, InletAirTau: 5},
}

var heardLate = []time.Duration{0, 8 * time.Second, 30 * time.Second, -6 * time.Second}

// terms are what being alike means to this lab; invented.
var terms = &pb.ParityTerms{Confidence: 0.95, Tolerances: []*pb.Tolerance{
	{Name: "dry_matter_loss", Within: 0.7, Unit: "%", Source: "house rule of the season"},
	{Name: "colour_ground", Within: 4, Unit: "1", Source: "house rule of the season"},
	{Name: "development_time", Within: 25, Unit: "s", Source: "house rule of the season"},
}}

// lot is one lot as it really is.
type lot struct {
	code              string
	quality, moisture float64
	crack, colour     float64
	drum              int
	// What became of each of its roasts, by name.
	roasts map[string]drum.Truth
	first  string
}

// lab is the lab in the season.
type lab struct {
	*notebook
	random *rand.Rand
	seed   uint64
	bias   []float64
	roasts int
}

// every is the time between two readings of a probe.
const every = 2 * time.Second

// course is what the probes of a drum showed of a roast, and what really happened.
type course struct {
	read  [3][]float64
	truth drum.Truth
	heard time.Duration // when the crack was marked
}

// play roasts a portion: two minutes of waiting, the roast, and two minutes of cooling.
func (l *lab) play(number int, grams, moisture, crack float64, development time.Duration) course {
	d := drum.New(character[number], 22, l.random)
	hand := drum.NewOperator(l.random)
	hand.Development = development + heardLate[number] + time.Duration(4*l.random.NormFloat64()*float64(time.Second))
	var c course
	step := func() {
		d.Advance()
		if d.Now()%every == 0 {
			for i, p := range []*drum.Probe{&d.Bean, &d.DrumAir, &d.InletAir} {
				c.read[i] = append(c.read[i], p.Read(l.random))
			}
		}
	}
	for d.Now() < 2*time.Minute {
		hand.Hold(d)
		step()
	}
	d.Charge(drum.Green(grams, moisture, 22), crack)
	for !hand.Hold(d) {
		step()
	}
	c.truth = d.Drop()
	for end := d.Now() + 2*time.Minute; d.Now() < end; {
		hand.Hold(d)
		step()
	}
	c.heard = c.truth.FirstCrack + heardLate[number] + time.Duration(2*l.random.NormFloat64()*float64(time.Second))
	return c
}

// roast takes a lot's sample through its drum, with everything that is measured, and
// returns the roast's name.
func (l *lab) roast(x *lot, number int, development time.Duration) (string, error) {
	off := func(value, u float64) float64 { return value + u*l.random.NormFloat64() }
	grams := off(150, 0.5)
	if len(x.roasts) == 0 {
		l.measure(x.code, "", "moisture", "wet", "%", off(100*x.moisture, moistureUncertainty), moistureUncertainty)
	}
	l.measure(x.code, "", "charge_mass", "", "g", off(grams, massUncertainty), massUncertainty)
	l.now = l.now.Add(time.Minute)
	c := l.play(number, grams, x.moisture, x.crack, development)
	name, err := l.watched(x.code, drums[number], c)
	if err != nil {
		return "", err
	}
	l.now = l.now.Add(time.Minute)
	l.measure(x.code, name, "roasted_mass", "", "g", off(c.truth.RoastedGrams, massUncertainty), massUncertainty)
	l.measure(x.code, name, "roasted_moisture", "wet", "%", off(100*c.truth.RoastedMoisture, moistureUncertainty), moistureUncertainty)
	l.measure(x.code, name, "colour_ground", "bench-100", "1", off(x.colour+colourAtAim-colourPerPoint*(100*c.truth.DryLoss-aimAt), colourUncertainty), colourUncertainty)
	l.now = l.now.Add(time.Minute)
	x.roasts[name] = c.truth
	l.roasts++
	return name, nil
}

// development is how long after the crack this lab drops.
const development = 100 * time.Second

// receive draws the lots of a day and roasts each once, in the drums by turns.
func (l *lab) receive(day int) ([]*lot, error) {
	var lots []*lot
	for i := range lotsADay {
		x := &lot{
			code: fmt.Sprintf("S%02d-%02d", day+1, i+1), quality: meanQuality + sdQuality*l.random.NormFloat64(),
			moisture: 0.11 + 0.006*l.random.NormFloat64(), crack: drum.Crack + 1.2*l.random.NormFloat64(), colour: 0.4 * l.random.NormFloat64(),
			drum: i % len(drums), roasts: map[string]drum.Truth{},
		}
		l.register(x.code, "lot "+x.code, pb.SampleKind_SAMPLE_KIND_OFFER)
		var err error
		if x.first, err = l.roast(x, x.drum, development); err != nil {
			return nil, err
		}
		lots = append(lots, x)
	}
	return lots, nil
}

// compared is what the hub says of the roasts of some lots.
func (l *lab) compared(lots []*lot) (*pb.CompareResponse, error) {
	var records []*pb.SampleRecord
	for _, x := range lots {
		record, _ := l.book.Record(x.code)
		records = append(records, record)
	}
	return compare.Answer(records, terms)
}

// again roasts once more what is not alike with the largest group, changed as the report
// says, and returns what is said then.
func (l *lab) again(lots []*lot) (*pb.CompareResponse, error) {
	answer, err := l.compared(lots)
	for range mostAgain {
		if err != nil {
			return nil, err
		}
		for _, o := range answer.GetOthers() {
			x := lots[slices.IndexFunc(lots, func(x *lot) bool { return x.code == o.GetSample() })]
			took := x.roasts[o.GetRoast()]
			if _, err := l.roast(x, x.drum, took.Dropped-took.FirstCrack-heardLate[x.drum]+change(o)); err != nil {
				return nil, err
			}
		}
		answer, err = l.compared(lots)
	}
	return answer, err
}

// change is by how much longer the development should be, as a person makes it of what is
// to change: a point of dry matter is about 21 s of development in these drums.
func change(o *pb.ParityOther) time.Duration {
	const secondsAPoint, colourAPoint = 21, 7
	seconds, n := 0.0, 0.0
	for _, t := range o.GetTargets() {
		if t.Low == nil {
			continue
		}
		toAim := (t.GetLow()+t.GetHigh())/2 - t.GetNow()
		switch t.GetName() {
		case "dry_matter_loss":
			seconds, n = seconds+toAim*secondsAPoint, n+1
		case "colour_ground":
			seconds, n = seconds-toAim/colourAPoint*secondsAPoint, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return time.Duration(seconds / n * float64(time.Second))
}

// matched studies the drums by a roast of the reference coffee in each every day, and
// returns what is found beside what is so.
func (l *lab) matched(references []*lot) ([]Drum, error) {
	list := make([]Drum, len(drums))
	var results []matching.Result
	mean := 0.0
	for _, x := range references {
		record, _ := l.book.Record(x.code)
		roasts, err := compare.OfRecord(record, []compare.Aspect{{Name: "dry_matter_loss", Unit: "%"}})
		if err != nil {
			return nil, err
		}
		for name, truth := range x.roasts {
			list[x.drum].True += 100 * truth.DryLoss / days
			mean += 100 * truth.DryLoss / float64(days*len(drums))
			i := slices.IndexFunc(roasts, func(r compare.Roast) bool { return r.Name == name })
			results = append(results, matching.Result{Block: matching.Block{Day: x.code[:3]}, Drum: drums[x.drum], Value: roasts[i].Values["dry_matter_loss"].Value})
		}
	}
	slices.SortFunc(results, func(a, b matching.Result) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Drum, b.Drum)) })
	study, err := matching.Evaluate(results, matching.Terms{Tolerance: 0.7, Confidence: 0.95})
	if err != nil {
		return nil, err
	}
	for i, d := range study.Drums {
		list[i].Name, list[i].Found, list[i].Low, list[i].High, list[i].Verdict = d.Name, d.Offset.Value, d.Low, d.High, d.Verdict
		list[i].True -= mean
	}
	return list, nil
}

// score is what an assessor says of a roast of a lot.
func (l *lab) score(assessor int, x *lot, roast string) float64 {
	off := 100*x.roasts[roast].DryLoss - aimAt
	s := x.quality - offAim*off*off + l.bias[assessor] + sdScore*l.random.NormFloat64()
	return math.Round(4*s) / 4
}
