// Package forecast tells when the marks of a roast that is going on are due: from where
// earlier roasts of the same drum had theirs, and how fast this one rises. It knows no
// temperature at which anything happens: with another probe, or one that hangs elsewhere,
// first crack is heard at another reading.
//
// It is pure. Times are seconds from the charge of the roast that they are of,
// temperatures degrees Celsius as the bean probe shows them, slopes K/s.
package forecast

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// Coverage is the probability with which a mark comes between earliest and latest.
	Coverage = 0.9
	// Least is how many earlier roasts it takes: with fewer their scatter is not known.
	Least = 3
	// Most is how many of them count, the latest: drums and hands change.
	Most = 20
)

// Now is a roast that is going on.
type Now struct {
	// Elapsed is the time since the charge.
	Elapsed float64
	// At is a time, with the temperature and the slope of the bean probe there, and the
	// standard uncertainty of the slope. It may lie a little back: the middle of the
	// window of a rate of rise. At is NaN where they are not known.
	At, Cel, Slope, SlopeStandard float64
	// Marks so far.
	Marks map[pb.MarkKind]float64
}

// Expected is when a mark is due.
type Expected struct {
	Kind pb.MarkKind
	// The mark comes between Earliest and Latest with the probability Coverage, and is
	// as likely to come before Likely as after it; none of them lies in the past. NaN if
	// it is not known.
	Earliest, Likely, Latest float64
	// When is what they are made of, without regard to how late it is by now; not valid
	// if it is not known.
	When uncertainty.Estimate
	// Roasts is how many earlier roasts it is told from.
	Roasts int
	// Unknown says why it is not known; empty if it is.
	Unknown string
	// Overdue: if this roast were like the earlier ones, the mark had been by now, with
	// a probability of (1 + Coverage)/2 at least.
	Overdue bool
}

// Marks returns what is known of the marks that are still to come, of yellowing, first
// crack and drop, in this order. History is the earlier roasts of the same drum and
// probe, the latest last.
func Marks(history []Past, now Now) []Expected {
	history = history[max(0, len(history)-Most):]
	var list []Expected
	crack, cracked := now.Marks[pb.MarkKind_MARK_KIND_FIRST_CRACK]
	_, yellow := now.Marks[pb.MarkKind_MARK_KIND_YELLOWING]
	if !yellow && !cracked {
		list = append(list, atTemperature(history, now, pb.MarkKind_MARK_KIND_YELLOWING).expected(now))
	}
	first := due{kind: pb.MarkKind_MARK_KIND_FIRST_CRACK, when: uncertainty.Estimate{Value: crack}}
	if !cracked {
		first = atTemperature(history, now, pb.MarkKind_MARK_KIND_FIRST_CRACK)
		list = append(list, first.expected(now))
	}
	return append(list, drop(history, now, first).expected(now))
}

// due is when a mark is due, without regard to how late it is.
type due struct {
	kind    pb.MarkKind
	when    uncertainty.Estimate
	roasts  int
	unknown string
}

func unknown(kind pb.MarkKind, roasts int, format string, args ...any) due {
	return due{kind: kind, roasts: roasts, unknown: fmt.Sprintf(format, args...)}
}

// slowest rise that a time can be told from, K/s: half a kelvin a minute.
const slowest = 0.5 / 60

// atTemperature tells when a mark is due that comes with the temperature of the beans:
// each earlier roast says how long it took from where this one is now to its mark, had it
// been as fast as this one is.
func atTemperature(history []Past, now Now, kind pb.MarkKind) due {
	_, turned := now.Marks[pb.MarkKind_MARK_KIND_TURNING_POINT]
	var took []float64
	for _, p := range history {
		if s, ok := p.took(now.Cel, now.Slope, kind); ok {
			took = append(took, s)
		}
	}
	switch {
	case !turned:
		return unknown(kind, 0, "not known yet: the bean probe has not turned")
	case math.IsNaN(now.At + now.Cel + now.Slope):
		return unknown(kind, 0, "not known yet: the bean probe has not been read for long enough, or not lately")
	case now.Slope < slowest:
		return unknown(kind, 0, "not known: the bean probe does not rise")
	case len(took) < Least:
		return unknown(kind, len(took), "not known yet: %d of the earlier roasts in this drum can tell, and it takes %d", len(took), Least)
	}
	e, err := next(took)
	if err != nil {
		return unknown(kind, len(took), "not known: %v", err)
	}
	slope := e.Value * now.SlopeStandard / now.Slope // what the scatter of the slope makes of it
	e.Value += now.At
	e.Standard = math.Hypot(e.Standard, slope)
	return due{kind: kind, when: e, roasts: len(took)}
}

// drop tells when the drop is due: as long after first crack as in earlier roasts or,
// where nobody marks first crack, by the temperature.
func drop(history []Past, now Now, crack due) due {
	const kind = pb.MarkKind_MARK_KIND_DROP
	var took []float64
	for _, p := range history {
		from, ok := p.at(pb.MarkKind_MARK_KIND_FIRST_CRACK)
		to, dropped := p.at(kind)
		if ok && dropped {
			took = append(took, to.At-from.At)
		}
	}
	if crack.unknown != "" || len(took) < Least {
		return atTemperature(history, now, kind)
	}
	e, err := next(took)
	if err != nil {
		return unknown(kind, len(took), "not known: %v", err)
	}
	e.Value += crack.when.Value
	e.Standard = math.Hypot(e.Standard, crack.when.Standard)
	return due{kind: kind, when: e, roasts: len(took)}
}

// next is what the next one of a series will be: the mean, with the standard deviation of
// one more about it.
func next(series []float64) (uncertainty.Estimate, error) {
	e, err := uncertainty.OfReadings(series)
	e.Standard *= math.Sqrt(float64(len(series)) + 1)
	return e, err
}

// expected makes of it what is expected now: what has not come yet does not come in the
// past.
func (d due) expected(now Now) Expected {
	e := Expected{Kind: d.kind, Roasts: d.roasts, Unknown: d.unknown, Earliest: math.NaN(), Likely: math.NaN(), Latest: math.NaN()}
	if d.unknown != "" {
		return e
	}
	e.When = d.when
	half := d.when.Quantile((1+Coverage)/2) * d.when.Standard
	e.Overdue = d.when.Value+half < now.Elapsed
	e.Earliest = max(now.Elapsed, d.when.Value-half)
	e.Likely = max(now.Elapsed, d.when.Value)
	e.Latest = max(now.Elapsed, d.when.Value+half)
	return e
}
