package panel

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// outcomeMethod and its version.
	outcomeMethod = "panel/1"
	// confidence of a session's intervals.
	confidence = 0.95
	// draws of the bootstrap: good for two digits.
	draws = 10_000
	// leastRepeats is how many degrees of freedom an assessor's own repeatability needs to
	// count for the uncertainty of a score; with fewer the panel's scatter does.
	leastRepeats = 3
)

// Conclude computes what a session came to. Ballots are those that count; one without a
// score is left out. Lots names the lot of each sample.
//
// What the scores do not show is said in the outcome, not with an error: it is an error only
// if a ballot is of no cup of the key, or there are two of one assessor and cup.
func Conclude(key Key, form Form, ballots []*pb.Ballot, lots map[string]string) (*pb.PanelOutcome, error) {
	c := conclusion{key: key, form: form, lots: lots, ratings: map[string]*pb.AssessorRating{}}
	for _, b := range ballots {
		if err := c.add(b); err != nil {
			return nil, fmt.Errorf("conclude session %s: %w", key.Session, err)
		}
	}
	out := &pb.PanelOutcome{Method: outcomeMethod, Confidence: confidence, Draws: draws}
	if err := c.assess(out); err != nil {
		return nil, fmt.Errorf("conclude session %s: %w", key.Session, err)
	}
	if a, err := Agree(c.scores, confidence); err != nil {
		out.NoAgreement = err.Error()
	} else {
		out.Agreement = agreement(a)
	}
	c.rank(out)
	for _, lot := range out.Lots {
		c.read(lot, out.Scatter)
	}
	return out, nil
}

// conclusion is an outcome in the making.
type conclusion struct {
	key     Key
	form    Form
	lots    map[string]string
	scores  []Score
	scored  []*pb.Ballot // beside scores
	worded  []*pb.Ballot
	ratings map[string]*pb.AssessorRating
}

func (c *conclusion) cup(code uint32) (Cup, bool) {
	i := slices.IndexFunc(c.key.Cups, func(cup Cup) bool { return cup.Code == Code(code) })
	if i < 0 {
		return Cup{}, false
	}
	return c.key.Cups[i], true
}

func (c *conclusion) add(b *pb.Ballot) error {
	cast := b.GetCast()
	cup, ok := c.cup(cast.GetCode())
	if !ok {
		return fmt.Errorf("a ballot of %s is for cup %d, which is none of it", cast.GetAssessor(), cast.GetCode())
	}
	c.worded = append(c.worded, b)
	if cast.Score == nil {
		return nil
	}
	c.scores = append(c.scores, Score{Assessor: cast.GetAssessor(), Lot: cup.Lot, Copy: cup.Copy, Value: cast.GetScore()})
	c.scored = append(c.scored, b)
	return nil
}

// assess rates the assessors.
func (c *conclusion) assess(out *pb.PanelOutcome) error {
	assessors, repeats, err := Assess(c.scores)
	if err != nil {
		return err
	}
	if repeats.Unknown == "" {
		out.Repeatability = &repeats.Value
	}
	for _, a := range assessors {
		r := &pb.AssessorRating{Assessor: a.Name, Scores: uint32(a.Scores), RepeatabilityFreedom: uint32(a.Repeated)}
		remark := func(of, why string) { r.Remarks = append(r.Remarks, of+": "+why) }
		if a.NoBias == "" {
			r.Bias, r.BiasUncertainty = proto.Float64(a.Bias.Value), proto.Float64(a.Bias.Standard)
		} else {
			remark("bias", a.NoBias)
		}
		for _, f := range []struct {
			name string
			is   Figure
			to   **float64
		}{{"spread", a.Spread, &r.Spread}, {"follows the others", a.Follows, &r.Follows}, {"repeatability", a.Repeats, &r.Repeatability}} {
			if f.is.Unknown == "" {
				*f.to = proto.Float64(f.is.Value)
			} else {
				remark(f.name, f.is.Unknown)
			}
		}
		out.Assessors = append(out.Assessors, r)
		c.ratings[a.Name] = r
	}
	return nil
}

func agreement(a Agreement) *pb.PanelAgreement {
	single, mean := a.ICC.TwoWay.Single, a.ICC.TwoWay.Average
	return &pb.PanelAgreement{
		IccSingle: single.Value, IccSingleLow: single.Low, IccSingleHigh: single.High, IccMean: mean.Value, IccP: single.P,
		Concordance: a.Concordance.W, ConcordanceP: a.Concordance.P,
		Samples: uint32(len(a.Lots)), Assessors: uint32(len(a.Assessors)), LeftOut: a.LeftOut,
	}
}

// rank puts the lots in order, those without a score at the end.
func (c *conclusion) rank(out *pb.PanelOutcome) {
	rules := Rules{Confidence: confidence, Draws: draws, Seed: binary.BigEndian.Uint64(c.key.Seed[:]), Step: c.form.Step}
	ranking, err := Rank(c.scores, rules)
	if err != nil {
		ranking = c.unranked(err)
	}
	out.Told, out.Scatter, out.Freedom, out.Remark = ranking.Told, ranking.Scatter, uint32(ranking.Freedom), ranking.Remark
	for _, p := range ranking.Lots {
		lot := c.lot(p.Lot)
		lot.Mean, lot.Best, lot.Worst, lot.Ties = p.Mean, uint32(p.Best), uint32(p.Worst), p.Ties
		if ranking.Remark == "" {
			lot.StandardUncertainty, lot.Low, lot.High = proto.Float64(p.Standard), proto.Float64(p.Low), proto.Float64(p.High)
		}
		out.Lots = append(out.Lots, lot)
	}
	for _, cup := range c.key.Cups {
		if !slices.ContainsFunc(out.Lots, func(l *pb.PanelLot) bool { return l.GetSample() == cup.Lot }) {
			out.Lots = append(out.Lots, c.lot(cup.Lot))
		}
	}
}

// unranked is a ranking where the scores allow none: all lots are tied.
func (c *conclusion) unranked(why error) Ranking {
	r := Ranking{Remark: why.Error()}
	if t, err := newTable(c.scores); err == nil && len(t.lots) > 0 {
		if plain, err := t.unproven(r); err == nil {
			return plain
		}
	}
	return r
}

func (c *conclusion) lot(sample string) *pb.PanelLot {
	lot := &pb.PanelLot{Sample: sample, Lot: c.lots[sample]}
	for _, cup := range c.key.Cups {
		if cup.Lot == sample {
			lot.Roast = cup.Roast
		}
	}
	return lot
}

// read adds the scores of a lot and its words.
func (c *conclusion) read(lot *pb.PanelLot, scatter float64) {
	for i, s := range c.scores {
		if s.Lot == lot.GetSample() {
			lot.Readings = append(lot.Readings, c.reading(s, c.scored[i], scatter))
		}
	}
	words := map[string][]string{}
	for _, b := range c.worded {
		if cup, _ := c.cup(b.GetCast().GetCode()); cup.Lot == lot.GetSample() {
			words[b.GetCast().GetAssessor()] = append(words[b.GetCast().GetAssessor()], b.GetCast().GetWords()...)
		}
	}
	var lists [][]string
	for _, list := range words {
		lists = append(lists, list)
	}
	for _, m := range Tally(lists) {
		lot.Words = append(lot.Words, &pb.WordCount{Word: m.Word, Assessors: uint32(m.Assessors)})
	}
}

// reading is a score with the calibration of the assessor.
func (c *conclusion) reading(s Score, b *pb.Ballot, scatter float64) *pb.ScoreReading {
	r := &pb.ScoreReading{Assessor: s.Assessor, Code: b.GetCast().GetCode(), Copy: uint32(s.Copy), Score: s.Value, Value: s.Value, Ballot: b.GetCursor()}
	rating := c.ratings[s.Assessor]
	own := scatter
	if rating.Repeatability != nil && rating.GetRepeatabilityFreedom() >= leastRepeats {
		own = rating.GetRepeatability()
	}
	own = max(own, c.form.Step/math.Sqrt(12))
	if rating.Bias == nil {
		r.Doubt = "the assessor is not calibrated by this session"
		return r
	}
	r.Value -= rating.GetBias()
	if own > 0 {
		r.StandardUncertainty = proto.Float64(math.Hypot(own, rating.GetBiasUncertainty()))
	}
	if rating.Follows != nil && rating.GetFollows() <= 0 {
		r.Doubt = "the assessor does not follow the others"
	}
	return r
}

// FormOf returns the form that a message describes; it may be none that makes a score.
func FormOf(m *pb.CuppingForm) Form {
	f := Form{Name: m.GetName(), Source: m.GetSource(), Base: m.GetBase(), Weight: m.GetWeight(), Cups: int(m.GetCups()), Step: m.GetStep(), Words: m.GetWords()}
	for _, a := range m.GetAttributes() {
		f.Attributes = append(f.Attributes, Attribute{Name: a.GetName(), Low: a.GetLow(), High: a.GetHigh(), Step: a.GetStep()})
	}
	for _, d := range m.GetDeductions() {
		f.Deductions = append(f.Deductions, Deduction{Name: d.GetName(), Points: d.GetPoints()})
	}
	return f
}

// Message describes a form.
func (f Form) Message() *pb.CuppingForm {
	m := &pb.CuppingForm{Name: f.Name, Source: f.Source, Base: f.Base, Weight: f.Weight, Cups: uint32(f.Cups), Step: f.Step, Words: f.Words}
	for _, a := range f.Attributes {
		m.Attributes = append(m.Attributes, &pb.FormAttribute{Name: a.Name, Low: a.Low, High: a.High, Step: a.Step})
	}
	for _, d := range f.Deductions {
		m.Deductions = append(m.Deductions, &pb.FormDeduction{Name: d.Name, Points: d.Points})
	}
	return m
}
