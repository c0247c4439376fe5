package show

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Comparison writes which samples may be ranked together, and of the others what to
// change.
func (s Style) Comparison(w io.Writer, c *pb.CompareResponse) error {
	var b strings.Builder
	b.WriteString("alike are roasts that are shown to differ by less than\n")
	tolerances(&b, c.GetTerms())
	b.WriteString("\n")
	air := map[string]string{}
	for _, r := range c.GetRoasts() {
		air[r.GetRoast()] = roomAir(r.GetAir())
	}
	for i, g := range c.GetGroups() {
		if members := g.GetMembers(); len(members) == 1 {
			fmt.Fprintf(&b, "alone: %s\n", members[0].GetSample())
			continue
		}
		fmt.Fprintf(&b, "group %d may be ranked together:\n", i+1)
		for _, m := range g.GetMembers() {
			line := fmt.Sprintf("  %-12s by %s", m.GetSample(), strings.Join(append([]string{m.GetRoast()}, m.GetInstead()...), ", or "))
			if text := air[m.GetRoast()]; text != "" {
				line = fmt.Sprintf("%-34s room %s", line, text)
			}
			b.WriteString(line + "\n")
		}
		if g.GetMayBeLarger() {
			b.WriteString("  there may be a larger group: the search was given up\n")
		}
	}
	for _, code := range c.GetUnroasted() {
		fmt.Fprintf(&b, "not roasted: %s\n", code)
	}
	for _, o := range c.GetOthers() {
		fmt.Fprintf(&b, "\n%s (%s), to join group 1: %s\n", o.GetSample(), o.GetRoast(), Words(o.GetAction()))
		for _, broken := range o.GetBreaks() {
			fmt.Fprintf(&b, "  %s\n", broken.GetText())
		}
		for _, t := range o.GetTargets() {
			if t.GetChange() != 0 {
				fmt.Fprintf(&b, "  change %s by %+.3g, to %.4g … %s\n", spaced(t.GetName()), t.GetChange(), t.GetLow(), withUnit(t.GetHigh(), t.GetUnit()))
			}
		}
		if text := air[o.GetRoast()]; text != "" {
			fmt.Fprintf(&b, "  the room was at %s\n", text)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// tolerances writes by how much roasts may differ.
func tolerances(b *strings.Builder, t *pb.ParityTerms) {
	for _, of := range t.GetTolerances() {
		line := fmt.Sprintf("  %-18s %s", spaced(of.GetName()), withUnit(of.GetWithin(), of.GetUnit()))
		if of.GetSource() != "" {
			line = fmt.Sprintf("%-30s %s", line, of.GetSource())
		}
		b.WriteString(line + "\n")
	}
	fmt.Fprintf(b, "with %g %% confidence\n", 100*t.GetConfidence())
}

// withUnit writes a number of four digits.
func withUnit(x float64, unit string) string {
	if unit == "" || unit == "1" {
		return fmt.Sprintf("%.4g", x)
	}
	return fmt.Sprintf("%.4g %s", x, Unit(unit, ""))
}

// roomAir is what instruments of the room read, in a few words.
func roomAir(list []*pb.RoomReading) string {
	var parts []string
	for _, r := range list {
		text := Quantity(r.GetValue(), r.GetUnit(), "")
		if r.GetQuantity() == "relative_humidity" {
			text += " RH"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}
