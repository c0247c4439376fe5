package show

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/handover"
)

// Bundle shows what is in a bundle that holds.
func (s Style) Bundle(w io.Writer, file string, bytes int, c *handover.Contents) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s holds: nothing in it was changed since it was signed.\n\n", file)
	fmt.Fprintf(&b, "signed by   %s\n", strings.Join(c.SignedBy, ", and seen by "))
	fmt.Fprintf(&b, "lab         %s\n", plain(c.Lab.GetLabName()))
	fmt.Fprintf(&b, "record      %s, entries 1 to %s\n", plain(c.Checkpoint.Origin), grouped(uint64(c.Checkpoint.Size)))
	if rate := c.Opened.GetClockRate(); rate != 0 && rate != 1 {
		fmt.Fprintf(&b, "%s\n", s.Warn(fmt.Sprintf("simulated   a clock at %g times real speed: nothing of it was ever measured", rate)))
	}
	kinds := c.Kinds()
	var parts []string
	for _, kind := range slices.SortedFunc(maps.Keys(kinds), func(x, y string) int {
		if d := kinds[y] - kinds[x]; d != 0 {
			return d
		}
		return strings.Compare(x, y)
	}) {
		parts = append(parts, fmt.Sprintf("%s %s", grouped(uint64(kinds[kind])), spaced(kind)))
	}
	indented(&b, fmt.Sprintf("in it       %s in %s bytes: ", count(uint64(len(c.Entries)), "entry"), grouped(uint64(bytes))), strings.Join(parts, ", "))
	b.WriteString("\n")
	if _, err := io.WriteString(w, b.String()); err != nil {
		return err
	}
	return s.Samples(w, c.Samples)
}
