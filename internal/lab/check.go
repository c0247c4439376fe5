package lab

import (
	"fmt"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/plugins/sheet"
)

// Check reads a file that is a lab file or a sheet, and reports everything that
// is wrong with it. If nothing is, summary says in a few lines what the file
// describes, without a line feed at its end.
func Check(path string, o Options) (summary string, problems problem.List) {
	data, problems := read(path)
	if problems != nil {
		return "", problems
	}
	keys := document.Parse(path, data).Keys()
	switch {
	case slices.Contains(keys, "lab"), slices.Contains(keys, "instruments"):
		l, problems := load(path, data, o, true)
		if len(problems) > 0 {
			return "", problems
		}
		return l.summary(path), nil
	case slices.Contains(keys, "sheet"), slices.Contains(keys, "channels"):
		s, problems := sheet.Parse(path, data, o.Drivers)
		if len(problems) > 0 {
			return "", problems
		}
		return fmt.Sprintf("%s: sheet %s for driver %s: %s\n%s", path, s.Name, s.Driver, s.Title, sheetChannels(s)), nil
	}
	root := document.Parse(path, data)
	if len(root.Problems) == 0 {
		root.Problem("is neither a lab file nor a sheet: a lab file starts with lab: and its name, a sheet with sheet: and its name")
	}
	return "", root.Problems
}

func (l *Lab) summary(path string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: lab %q: %s, %s\n", path, l.Name, counted(len(l.Stations), "station"), counted(len(l.Instruments), "instrument"))
	b.WriteString(l.dataSummary())
	b.WriteString(l.accessSummary())
	for _, i := range l.Instruments {
		names := make([]string, len(i.Channels))
		for k, c := range i.Channels {
			names[k] = c.GetName()
			if c.GetUnit() != "" {
				names[k] += " in " + c.GetUnit()
			}
		}
		fmt.Fprintf(&b, "  %s on %s, sheet %s: %s\n", i.Name, i.Station, i.Sheet.Name, strings.Join(names, ", "))
	}
	for _, c := range l.Criteria {
		fmt.Fprintf(&b, "  criteria %s: %s, each verdict wrong with a probability of at most %g\n", c.GetName(), counted(len(c.GetWindows()), "window"), c.GetAcceptedRisk())
	}
	if p := l.Parity; p != nil {
		fmt.Fprintf(&b, "  parity: %s, %s, shown with %g %% confidence\n", counted(len(p.GetTolerances()), "tolerance"), tolerancesOf(p), 100*p.GetConfidence())
	}
	if n := len(l.Decisions); n > 0 {
		fmt.Fprintf(&b, "  decisions: recommended by %s\n", counted(n, "rule"))
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func sheetChannels(s *sheet.Sheet) string {
	var b strings.Builder
	for _, c := range s.Channels {
		fmt.Fprintf(&b, "  %s: %s", c.Name, c.Quantity)
		if c.Basis != "" {
			fmt.Fprintf(&b, " (%s)", c.Basis)
		}
		b.WriteString(c.By())
		if c.Unit != "" {
			fmt.Fprintf(&b, " in %s", c.Unit)
		}
		b.WriteByte('\n')
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
