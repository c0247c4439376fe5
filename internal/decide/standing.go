package decide

import (
	"fmt"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/criteria"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Lots puts records into their lots, in the order of the records, and says how each lot
// stands. Compared is what came of comparing their roasts, scores are the panel's by lot.
// Samples of reference coffee are on no list; those without a lot are returned by
// themselves.
func Lots(records []*pb.SampleRecord, compared *pb.CompareResponse, scores map[string]*pb.LotScore, rules []*pb.DecisionRule) (lots []*pb.LotStanding, without []string) {
	by := map[string][]*pb.SampleRecord{}
	var names []string
	for _, r := range records {
		lot := r.GetIdentity().GetLot()
		switch {
		case r.GetIdentity().GetKind() == pb.SampleKind_SAMPLE_KIND_REFERENCE:
		case lot == "":
			without = append(without, r.GetSample())
		default:
			if by[lot] == nil {
				names = append(names, lot)
			}
			by[lot] = append(by[lot], r)
		}
	}
	parity := standings(compared)
	for _, name := range names {
		lot := &pb.LotStanding{
			Lot: name, Origin: by[name][0].GetIdentity().GetOrigin(), Process: by[name][0].GetIdentity().GetProcess(),
			Verdicts: verdicts(by[name]), Score: scores[name], Parity: pb.ParityStanding_PARITY_STANDING_NOT_ROASTED,
		}
		for _, r := range by[name] {
			lot.Samples = append(lot.Samples, r.GetSample())
			if at, ok := parity[r.GetSample()]; ok && (lot.GetParitySample() == "" || at.standing < lot.GetParity()) {
				lot.Parity, lot.ParitySample, lot.ParityRoast, lot.ParityGroup = at.standing, r.GetSample(), at.roast, at.group
			}
			lot.Decision = latest(lot, r)
		}
		for _, r := range by[name] {
			if lot.Decision != nil && r.GetAsOf() > lot.Decision.GetCursor() {
				lot.ChangedSince = true
			}
		}
		lot.OpenPoints = open(lot, by[name], parity)
		if rule, n := Recommend(rules, lot); rule != nil {
			lot.Recommends, lot.RuleSource, lot.Rule = rule.GetRecommends(), rule.GetSource(), n
		}
		lots = append(lots, lot)
	}
	return lots, without
}

// latest is the later of a lot's decision and those in one more record.
func latest(lot *pb.LotStanding, r *pb.SampleRecord) *pb.RecordedDecision {
	last := lot.GetDecision()
	for _, d := range r.GetDecisions() {
		if d.GetMade().GetLot() == lot.GetLot() && d.GetCursor() > last.GetCursor() {
			last = d
		}
	}
	return last
}

// place is how a sample stands among the others.
type place struct {
	standing pb.ParityStanding
	roast    string
	group    uint32
	missing  []string
}

// standings says of every sample that was compared how it stands.
func standings(c *pb.CompareResponse) map[string]place {
	out := map[string]place{}
	for i, g := range c.GetGroups() {
		for _, m := range g.GetMembers() {
			p := place{standing: pb.ParityStanding_PARITY_STANDING_ALONE, roast: m.GetRoast(), group: uint32(i + 1)}
			if len(g.GetMembers()) > 1 {
				p.standing = pb.ParityStanding_PARITY_STANDING_APART
				if i == 0 {
					p.standing = pb.ParityStanding_PARITY_STANDING_GROUPED
				}
			}
			out[m.GetSample()] = p
		}
	}
	for _, o := range c.GetOthers() {
		p := out[o.GetSample()]
		switch {
		case len(o.GetAlikeWith()) > 0:
			p.standing = pb.ParityStanding_PARITY_STANDING_APART
		case p.standing == pb.ParityStanding_PARITY_STANDING_ALONE && o.GetAction() != pb.ParityAction_PARITY_ACTION_ROAST_AGAIN:
			p.standing = pb.ParityStanding_PARITY_STANDING_UNKNOWN
		}
		for _, b := range o.GetBreaks() {
			p.missing = append(p.missing, b.GetText())
		}
		out[o.GetSample()] = p
	}
	// Where nothing is alike with anything nobody stands outside; still, what has no value
	// is not known to be alone.
	for _, r := range c.GetRoasts() {
		p := out[r.GetSample()]
		known := 0
		for _, v := range r.GetValues() {
			if v.StandardUncertainty != nil {
				known++
			}
		}
		if p.standing == pb.ParityStanding_PARITY_STANDING_ALONE && p.roast == r.GetRoast() && known < len(c.GetTerms().GetTolerances()) && len(p.missing) == 0 {
			p.standing, p.missing = pb.ParityStanding_PARITY_STANDING_UNKNOWN, []string{"not all is measured that roasts are compared by"}
			out[r.GetSample()] = p
		}
	}
	return out
}

// gravity orders verdicts by how much they stand in the way, as they do within a set.
var gravity = []pb.Verdict{
	pb.Verdict_VERDICT_INSIDE, pb.Verdict_VERDICT_NOT_MEASURED, pb.Verdict_VERDICT_UNDECIDED, pb.Verdict_VERDICT_OUTSIDE,
}

// verdicts are the worst of samples and their latest roasts, by criteria set.
func verdicts(records []*pb.SampleRecord) []*pb.LotVerdict {
	var list []*pb.LotVerdict
	add := func(v *pb.CriteriaVerdict) {
		i := slices.IndexFunc(list, func(l *pb.LotVerdict) bool { return l.GetCriteria() == v.GetCriteria() })
		if i < 0 {
			i = len(list)
			list = append(list, &pb.LotVerdict{Criteria: v.GetCriteria(), Verdict: pb.Verdict_VERDICT_INSIDE})
		}
		of := list[i]
		if slices.Index(gravity, v.GetVerdict()) > slices.Index(gravity, of.GetVerdict()) {
			of.Verdict, of.Windows = v.GetVerdict(), nil
		}
		for _, w := range v.GetWindows() {
			if name := criteria.Name(w.GetWindow()); of.GetVerdict() != pb.Verdict_VERDICT_INSIDE && w.GetVerdict() == of.GetVerdict() && !slices.Contains(of.GetWindows(), name) {
				of.Windows = append(of.Windows, name)
			}
		}
	}
	for _, r := range records {
		for _, v := range r.GetVerdicts() {
			add(v)
		}
		for _, v := range roasted(r).GetVerdicts() {
			add(v)
		}
	}
	return list
}

// roasted is the latest roast of a sample that ended; nil if there is none.
func roasted(r *pb.SampleRecord) *pb.Roast {
	for _, x := range slices.Backward(r.GetRoasts()) {
		if x.GetState() == pb.RoastState_ROAST_STATE_DROPPED {
			return x
		}
	}
	return nil
}

// open says what should be settled before a lot is decided on.
func open(lot *pb.LotStanding, records []*pb.SampleRecord, parity map[string]place) []string {
	var list []string
	for _, v := range lot.GetVerdicts() {
		of := strings.ReplaceAll(strings.Join(v.GetWindows(), ", "), "_", " ")
		switch v.GetVerdict() {
		case pb.Verdict_VERDICT_UNDECIDED:
			list = append(list, fmt.Sprintf("%s is undecided by %s: measure again", of, v.GetCriteria()))
		case pb.Verdict_VERDICT_NOT_MEASURED:
			list = append(list, fmt.Sprintf("%s asks for what is not measured: %s", v.GetCriteria(), of))
		}
	}
	for _, r := range records {
		if n := len(r.GetFlags()); n > 0 {
			list = append(list, fmt.Sprintf("%s is flagged: %s", r.GetSample(), r.GetFlags()[n-1].GetText()))
		}
	}
	switch lot.GetParity() {
	case pb.ParityStanding_PARITY_STANDING_NOT_ROASTED:
		list = append(list, "no sample of it has been roasted")
	case pb.ParityStanding_PARITY_STANDING_GROUPED:
	default:
		list = append(list, parity[lot.GetParitySample()].missing...)
	}
	if lot.GetScore() == nil {
		list = append(list, "no panel has scored it")
	}
	if lot.GetDecision() != nil && lot.GetChangedSince() {
		list = append(list, "something was recorded of it after it was decided on")
	}
	return list
}
