package try

import (
	"fmt"
	"time"
)

// summary ends the trial: what came, what was read, and which channels were never
// seen.
func (p *paper) summary() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	c := &p.count
	what := "frames"
	if p.register != nil {
		what = "requests"
	}
	fmt.Fprintf(p.w, "\nAfter %v:\n", time.Since(p.started).Round(100*time.Millisecond))
	if p.explain != nil || c.received > 0 {
		fmt.Fprintf(p.w, "  %7d  bytes received\n", c.received)
	}
	fmt.Fprintf(p.w, "  %7d  %s read\n", c.read, what)
	if c.passed > 0 {
		fmt.Fprintf(p.w, "  %7d  %s passed over, as they should be\n", c.passed, what)
	}
	fmt.Fprintf(p.w, "  %7d  %s NOT read\n\n", c.failed, what)

	total, missing := 0, 0
	for _, channel := range p.sheet.Channels {
		n := c.readings[channel.Name]
		total += n
		if n == 0 {
			missing++
			fmt.Fprintf(p.w, "  %-*s  NEVER SEEN\n", p.widest(), channel.Name)
			continue
		}
		times := "once: "
		if n > 1 {
			times = fmt.Sprintf("%d times, the last: ", n)
		}
		fmt.Fprintf(p.w, "  %-*s  read %s%s\n", p.widest(), channel.Name, times, p.value(c.last[channel.Name]))
	}
	fmt.Fprintln(p.w)
	for _, hint := range p.hints() {
		fmt.Fprintf(p.w, "  %s\n", hint)
	}
	switch {
	case total == 0:
		fmt.Fprintln(p.w, "NOTHING was read.")
		return ErrNothingRead
	case c.failed > 0 || missing > 0:
		fmt.Fprintln(p.w, "The sheet fits in part: see what was not read or never seen, above.")
	default:
		fmt.Fprintln(p.w, "The sheet fits: everything that came was read.")
	}
	return nil
}
