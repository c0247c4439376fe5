package ascii

import (
	"regexp"
	"regexp/syntax"

	"github.com/evenbench/evenbench/internal/document"
)

// pattern reads a regular expression that must not match empty text, for such a one
// matches everything, and that must be able to match something. Flags are put before
// it.
func pattern(n *document.Node, flags string) *regexp.Regexp {
	re := n.Regexp()
	if re == nil {
		return nil
	}
	if re.MatchString("") {
		n.Problem("matches empty text, so it would match whatever the device sends: write what must be there")
	}
	if flags != "" {
		re = regexp.MustCompile(flags + re.String())
	}
	if tree := parse(re); tree != nil && !possible(tree) {
		n.Problem("can match nothing at all: something is asked for before the beginning (^) or behind the end ($) of the text")
	}
	return re
}

// uncaptured is pattern for one whose captures nobody reads, but for those named.
func uncaptured(n *document.Node, read ...string) *regexp.Regexp {
	re := pattern(n, "")
	if re == nil {
		return nil
	}
	known := map[string]bool{"": true}
	for _, name := range read {
		known[name] = true
	}
	for _, name := range re.SubexpNames() {
		if !known[name] {
			n.Problem("nothing uses the capture %q here: values are captured by the rules under read", name)
		}
	}
	return re
}

func parse(re *regexp.Regexp) *syntax.Regexp {
	tree, err := syntax.Parse(re.String(), syntax.Perl)
	if err != nil {
		return nil // it has been compiled
	}
	return tree.Simplify()
}

// possible tells whether any text can match; in doubt it can.
func possible(re *syntax.Regexp) bool {
	switch re.Op {
	case syntax.OpNoMatch:
		return false
	case syntax.OpCharClass:
		return len(re.Rune) > 0
	case syntax.OpCapture, syntax.OpPlus:
		return possible(re.Sub[0])
	case syntax.OpAlternate:
		for _, sub := range re.Sub {
			if possible(sub) {
				return true
			}
		}
		return false
	case syntax.OpConcat:
		begun, ended := false, false // text has been read; its end has passed
		for _, sub := range re.Sub {
			takes := least(sub) > 0
			if !possible(sub) || ended && takes || begun && sub.Op == syntax.OpBeginText {
				return false
			}
			begun = begun || takes
			ended = ended || sub.Op == syntax.OpEndText
		}
	}
	return true
}

// least is how many characters a match has at least.
func least(re *syntax.Regexp) int {
	switch re.Op {
	case syntax.OpLiteral:
		return len(re.Rune)
	case syntax.OpCharClass, syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		return 1
	case syntax.OpCapture, syntax.OpPlus:
		return least(re.Sub[0])
	case syntax.OpRepeat:
		return re.Min * least(re.Sub[0])
	case syntax.OpConcat:
		n := 0
		for _, sub := range re.Sub {
			n += least(sub)
		}
		return n
	case syntax.OpAlternate:
		n := least(re.Sub[0])
		for _, sub := range re.Sub[1:] {
			n = min(n, least(sub))
		}
		return n
	}
	return 0
}

// named returns the group of a name.
func named(re *syntax.Regexp, name string) *syntax.Regexp {
	if re.Op == syntax.OpCapture && re.Name == name {
		return re.Sub[0]
	}
	for _, sub := range re.Sub {
		if found := named(sub, name); found != nil {
			return found
		}
	}
	return nil
}

// checkValues records captures that would give a reading of nothing, and a line end
// that is asked for though it has been cut off.
func (s *Sheet) checkValues(n *document.Node, r *rule) {
	tree := parse(r.match)
	if tree == nil || r.match.MatchString("") {
		return // said already
	}
	for _, c := range r.values {
		name := s.channels[c.channel].Name
		if group := named(tree, name); group != nil && least(group) == 0 {
			n.Problem("the capture %q may be empty, which is no value: write + in place of *, or make the part around it optional", name)
		}
	}
	if s.framing.line && s.ticket == nil && endsLine(tree) {
		n.Problem(`asks for the line end, which is cut off before a line is matched: leave out \r and \n`)
	}
}

// endsLine tells whether the last thing that a pattern asks for is a line end.
func endsLine(re *syntax.Regexp) bool {
	switch re.Op {
	case syntax.OpLiteral:
		last := re.Rune[len(re.Rune)-1]
		return last == '\r' || last == '\n'
	case syntax.OpCapture, syntax.OpPlus:
		return endsLine(re.Sub[0])
	case syntax.OpConcat:
		for i := len(re.Sub) - 1; i >= 0; i-- {
			if least(re.Sub[i]) > 0 {
				return endsLine(re.Sub[i])
			}
		}
	}
	return false
}
