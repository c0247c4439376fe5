package lab

import (
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/document"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Words of the rules, as they are written.
var (
	decisionWords = []string{"buy", "sell", "blend", "reject", "roast-again"}
	verdictWords  = []string{"inside", "outside", "undecided", "not-measured"}
	parityWords   = []string{"grouped", "apart", "alone", "unknown", "not-roasted"}
)

// readDecisions reads the rules by which decisions are recommended, after the criteria.
func (l *loader) readDecisions(n *document.Node) {
	last := false
	for _, item := range n.Items() {
		if !item.Expect(document.Map) {
			continue
		}
		r := &pb.DecisionRule{Source: item.Require("source", "where the rule comes from: a contract, or a house rule with its date").Text("")}
		if what := item.Require("recommend", "what the rule recommends: buy, sell, blend, reject or roast-again"); what != nil {
			r.Recommends = pb.Decision(word(what, decisionWords))
		}
		if last {
			item.Problem("no lot comes to this rule: the one before it has no conditions, and takes all")
		}
		on := item.Field("if")
		l.readConditions(on, r)
		last = on == nil
		l.lab.Decisions = append(l.lab.Decisions, r)
	}
}

// word returns the number from 1 of a word; 0, and a problem, if it is none of them.
func word(n *document.Node, words []string) int {
	text := n.Text("")
	i := slices.Index(words, text)
	if i < 0 {
		n.Problem("%q is not known%s", text, document.Meant(text, words))
	}
	return i + 1
}

func (l *loader) readConditions(n *document.Node, r *pb.DecisionRule) {
	for _, e := range n.Field("criteria").Entries() {
		var sets []string
		for _, c := range l.lab.Criteria {
			sets = append(sets, c.GetName())
		}
		if !slices.Contains(sets, e.Key) {
			e.Place.Problem("the lab has no criteria %q%s", e.Key, document.Meant(e.Key, sets))
		}
		c := &pb.CriteriaCondition{Criteria: e.Key}
		for _, v := range e.Value.Several() {
			c.Verdicts = append(c.Verdicts, pb.Verdict(word(v, verdictWords)))
		}
		if len(c.Verdicts) == 0 {
			e.Place.Problem("no verdict is named: write inside, or a list of those that fit")
		}
		r.Criteria = append(r.Criteria, c)
	}
	for _, p := range n.Field("parity").Several() {
		r.Parity = append(r.Parity, pb.ParityStanding(word(p, parityWords)))
	}
	if s := n.Field("score"); s != nil {
		r.Score = readScore(s)
	}
}

func readScore(n *document.Node) *pb.ScoreCondition {
	c := &pb.ScoreCondition{}
	if n.Kind() == document.Text {
		if text := n.Text(""); text != "missing" {
			n.Problem("%q is no condition on a score: write missing, {at_least: 84} or {below: 80}", text)
		}
		c.Missing = true
		return c
	}
	low, high := n.Field("at_least"), n.Field("below")
	if low != nil {
		c.AtLeast = proto.Float64(low.Number(0))
	}
	if high != nil {
		c.Below = proto.Float64(high.Number(0))
	}
	switch {
	case low == nil && high == nil && n.Kind() == document.Map:
		n.Problem("has no condition: write at_least, below, or both")
	case low != nil && high != nil && c.GetAtLeast() >= c.GetBelow():
		high.Problem("%v is not above at_least, which is %v: no score lies there", c.GetBelow(), c.GetAtLeast())
	}
	return c
}
