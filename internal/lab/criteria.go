package lab

import (
	"embed"
	"maps"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/units"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// sets are the criteria sets that ship, each a file as a lab would write its own.
//
//go:embed sets/*.yaml
var sets embed.FS

// defaultRisk is the probability with which a verdict may be wrong where a set says
// nothing of it: one in twenty, as is usual (common practice).
const defaultRisk = 0.05

// BuiltIn returns the names of the criteria sets that ship, sorted.
func BuiltIn() []string {
	list, err := sets.ReadDir("sets")
	if err != nil {
		panic(err) // they are part of the program
	}
	var names []string
	for _, f := range list {
		names = append(names, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	return names
}

func (l *loader) readCriteria(n *document.Node) {
	for _, item := range n.Items() {
		name, set := item, (*pb.Criteria)(nil)
		switch {
		case item.Kind() != document.Map:
			set = l.builtIn(item, nil)
		case item.Field("set") != nil:
			name = item.Field("set")
			set = l.builtIn(name, item.Field("scales"))
		default:
			name = item.Require("name", "the name of the set, or set: and the name of one that is built in")
			set = l.ownSet(item, name)
		}
		if set == nil {
			continue
		}
		if slices.ContainsFunc(l.lab.Criteria, func(c *pb.Criteria) bool { return c.GetName() == set.GetName() }) {
			name.Problem("there are criteria %q already: each set needs a name of its own", set.GetName())
			continue
		}
		set.Digest = criteria.Digest(set)
		l.lab.Criteria = append(l.lab.Criteria, set)
	}
}

// builtIn returns a set that ships, on the scales that the lab has for those the set
// names. It is nil if there is none.
func (l *loader) builtIn(n, scales *document.Node) *pb.Criteria {
	name := n.Text("")
	data, err := sets.ReadFile("sets/" + name + ".yaml")
	if err != nil || !document.IsName(name, '-') {
		n.Problem("there is no built-in set of criteria %q (one of your own has name: and windows:)%s", name, document.Meant(name, BuiltIn()))
		scales.Value()
		return nil
	}
	root := document.Parse(name+".yaml", data)
	set := readSet(root.Node, root.Field("name").Name())
	root.Unknown()
	if err := root.Problems.Err(); err != nil {
		n.Problem("the built-in set cannot be read: %v", err)
		return nil
	}
	on := map[string]bool{}
	for _, w := range set.GetWindows() {
		if strings.HasPrefix(w.GetProperty(), "colour_") {
			on[w.GetBasis()] = true
		}
	}
	for _, e := range scales.Entries() {
		if !on[e.Key] {
			e.Place.Problem("no window of %s is on %q%s", name, e.Key, document.Meant(e.Key, slices.Sorted(maps.Keys(on))))
		}
		scale := e.Value.Text("")
		for _, w := range set.GetWindows() {
			if on[e.Key] && w.GetBasis() == e.Key && scale != "" {
				w.Basis = scale
			}
		}
	}
	return set
}

// ownSet reads a set that the lab file states itself.
func (l *loader) ownSet(n, name *document.Node) *pb.Criteria {
	called := name.Name()
	if slices.Contains(BuiltIn(), called) {
		name.Problem("%q is a built-in set: give yours another name, or write set: %s to use that one", called, called)
	}
	set := readSet(n, called)
	if called == "" {
		return nil
	}
	return set
}

func readSet(n *document.Node, name string) *pb.Criteria {
	set := &pb.Criteria{Name: name, Title: n.Field("title").Text(""), AcceptedRisk: defaultRisk}
	if risk := n.Field("risk"); risk != nil {
		set.AcceptedRisk = risk.Number(defaultRisk)
		if set.AcceptedRisk <= 0 || set.AcceptedRisk > 0.5 {
			risk.Problem("a verdict may be wrong with a probability above 0 and of at most 0.5, not %v: write 0.05 for one in twenty, or 0.5 to decide by the value alone", set.AcceptedRisk)
		}
	}
	list := n.Require("windows", "what the values should lie in, as a list")
	if list != nil && list.Expect(document.List) && len(list.Items()) == 0 {
		list.Problem("is empty: write at least one window")
	}
	for _, w := range list.Items() {
		if w.Expect(document.Map) {
			set.Windows = append(set.Windows, readWindow(w))
		}
	}
	return set
}

func readWindow(n *document.Node) *pb.Window {
	w := &pb.Window{}
	quantity := readSubject(n, w)
	w.Source = n.Require("source", "where the window comes from: a standard with its clause, a contract, or a house rule with its date").Text("")
	w.Method = n.Field("method").Text("")
	readFor(n.Field("for"), w)
	unit, basis, low, high := n.Field("unit"), n.Field("basis"), n.Field("low"), n.Field("high")
	if w.GetRequirement() != "" {
		for _, more := range []*document.Node{unit, basis, low, high} {
			more.Problem("a requirement is in words and has no limits: leave this out, or name a finding or a property instead")
		}
		return w
	}
	q, ok := units.Lookup(quantity)
	if !ok {
		return w // what it is on has been found wrong
	}
	readLimits(n, w, q)
	w.Basis = basis.Text("")
	switch err := q.CheckBasis(w.GetBasis()); {
	case w.GetFinding() != "" && basis != nil:
		basis.Problem("a finding has no basis: leave it out")
	case w.GetProperty() != "" && err != nil:
		first(basis, n).Problem("%v", err)
	}
	return w
}

// readSubject reads what a window is on, and returns its quantity.
func readSubject(n *document.Node, w *pb.Window) (quantity string) {
	finding, property, words := n.Field("finding"), n.Field("property"), n.Field("requirement")
	w.Finding, w.Property, w.Requirement = finding.Text(""), property.Text(""), words.Text("")
	named := 0
	for _, one := range []*document.Node{finding, property, words} {
		if one != nil {
			named++
		}
	}
	if named != 1 {
		n.Problem("names %d of finding, property and requirement: write exactly one, which says what the window is on", named)
		return ""
	}
	ok := true
	switch {
	case finding != nil:
		if quantity, ok = criteria.Findings[w.GetFinding()]; !ok {
			finding.Problem("there is no finding %q%s", w.GetFinding(), document.Meant(w.GetFinding(), slices.Sorted(maps.Keys(criteria.Findings))))
		}
	case property != nil:
		if quantity, ok = sheet.QuantityOf(w.GetProperty()); !ok {
			property.Problem("there is no property %q%s", w.GetProperty(), document.Meant(w.GetProperty(), sheet.Properties()))
		} else if strings.HasPrefix(w.GetProperty(), "batch_") {
			property.Problem("what is measured as %s becomes that of the green or of the roasted coffee: name the one that is meant", w.GetProperty())
		}
	}
	return quantity
}

// readLimits reads the limits of a window and states them in the canonical unit.
func readLimits(n *document.Node, w *pb.Window, q units.Quantity) {
	unit, low, high := n.Field("unit"), n.Field("low"), n.Field("high")
	if low == nil && high == nil {
		n.Problem("low and high are missing: write at least one of them")
	}
	code := unit.Text("")
	if unit == nil && q.Plain {
		code = q.Unit
	}
	w.Unit = q.Unit
	way, err := q.From(code)
	if err != nil {
		first(unit, n).Problem("%v", err)
		return
	}
	if low != nil {
		w.Low = proto.Float64(way.Apply(low.Number(0)))
	}
	if high != nil {
		w.High = proto.Float64(way.Apply(high.Number(0)))
	}
	if low != nil && high != nil && low.Kind() == document.Number && high.Kind() == document.Number && w.GetLow() >= w.GetHigh() {
		high.Problem("%v is not above low, which is %v: the window is empty", high.Number(0), low.Number(0))
	}
}

// readFor reads which samples a window is for.
func readFor(n *document.Node, w *pb.Window) {
	kinds := []string{"offer", "pre-shipment", "arrival", "stocklot", "reference"}
	of := n.Field("kinds")
	list := of.Items()
	if of.Kind() == document.Text {
		list = []*document.Node{of}
	}
	for _, k := range list {
		word := k.Text("")
		if !slices.Contains(kinds, word) {
			k.Problem("%q is no kind of sample%s", word, document.Meant(word, kinds))
			continue
		}
		w.Kinds = append(w.Kinds, pb.SampleKind(pb.SampleKind_value["SAMPLE_KIND_"+strings.ToUpper(strings.ReplaceAll(word, "-", "_"))]))
	}
	w.Processes = n.Field("processes").Texts()
}
