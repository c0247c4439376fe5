package lab

import (
	"maps"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/units"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// defaultConfidence is the one with which roasts must be shown to be alike where the lab
// file says nothing of it; nineteen in twenty, as is usual (common practice).
const defaultConfidence = 0.95

// readParity reads what it takes for two roasts to be alike.
func (l *loader) readParity(n *document.Node) {
	if n == nil || !n.Expect(document.Map) {
		return
	}
	terms := &pb.ParityTerms{Confidence: defaultConfidence}
	if c := n.Field("confidence"); c != nil {
		terms.Confidence = c.Number(defaultConfidence)
		if terms.Confidence < 0.5 || terms.Confidence >= 1 {
			c.Problem("a confidence is at least 0.5 and below 1, not %v: write 0.95 for nineteen in twenty", terms.Confidence)
		}
	}
	list := n.Require("tolerances", "what two roasts must differ by less than, as a list")
	if list != nil && list.Expect(document.List) && len(list.Items()) == 0 {
		list.Problem("is empty: write at least one tolerance, or leave parity out")
	}
	for _, item := range list.Items() {
		if !item.Expect(document.Map) {
			continue
		}
		t, place := readTolerance(item)
		if slices.ContainsFunc(terms.Tolerances, func(other *pb.Tolerance) bool { return t.GetName() != "" && other.GetName() == t.GetName() }) {
			place.Problem("%s has a tolerance already: write one of each", t.GetName())
			continue
		}
		terms.Tolerances = append(terms.Tolerances, t)
	}
	l.lab.Parity = terms
}

// readTolerance reads one tolerance, and returns where its name stands.
func readTolerance(n *document.Node) (*pb.Tolerance, *document.Node) {
	t := &pb.Tolerance{Source: n.Require("source", "where the tolerance comes from: a standard, a contract, or a house rule with its date").Text("")}
	finding, property := n.Field("finding"), n.Field("property")
	within, unit := n.Require("within", "what two roasts must differ by less than"), n.Field("unit")
	t.Within = within.Positive(1)
	if (finding == nil) == (property == nil) {
		n.Problem("names %s of finding and property: write exactly one, which says what the tolerance is on", map[bool]string{true: "none", false: "both"}[finding == nil])
		unit.Text("")
		return t, n
	}
	quantity, known, place := "", false, first(finding, property)
	switch t.Name = place.Text(""); {
	case finding != nil:
		if quantity, known = criteria.Findings[t.GetName()]; !known {
			place.Problem("there is no finding %q%s", t.GetName(), document.Meant(t.GetName(), slices.Sorted(maps.Keys(criteria.Findings))))
		}
	case !criteria.OfRoasted[t.GetName()]:
		roasted := slices.Sorted(maps.Keys(criteria.OfRoasted))
		place.Problem("there is no property of roasted coffee %q%s", t.GetName(), document.Meant(t.GetName(), roasted))
	default:
		quantity, known = sheet.QuantityOf(t.GetName())
	}
	q, ok := units.Lookup(quantity)
	if !known || !ok {
		unit.Text("")
		return t, place
	}
	t.Unit = q.Unit
	code := unit.Text("")
	if unit == nil && q.Plain {
		code = q.Unit
	}
	way, err := q.From(code)
	if err != nil {
		first(unit, n).Problem("%v", err)
		return t, place
	}
	// A tolerance is a difference: where a unit's zero is does not count.
	t.Within *= way.Slope
	return t, place
}

// tolerancesOf names what roasts are compared by.
func tolerancesOf(t *pb.ParityTerms) string {
	var names []string
	for _, of := range t.GetTolerances() {
		names = append(names, strings.ReplaceAll(of.GetName(), "_", " "))
	}
	return strings.Join(names, ", ")
}
