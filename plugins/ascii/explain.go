package ascii

import (
	"fmt"
	"regexp"
	"regexp/syntax"
	"strings"
)

// Explain says, rule by rule, how far a text that no rule matches would have been
// read, and what should have followed.
func (s *Sheet) Explain(text string) []string {
	var out []string
	for i := range s.rules {
		re := s.rules[i].match
		if re.MatchString(text) {
			continue
		}
		done, wants := follow(re, text)
		switch {
		case done == 0:
			out = append(out, fmt.Sprintf("rule %d wants %s at the beginning", i+1, wants))
		case done == len(text):
			out = append(out, fmt.Sprintf("rule %d reads all of it, and then wants %s, but it ends", i+1, wants))
		default:
			out = append(out, fmt.Sprintf("rule %d reads %q, and then wants %s, but finds %q", i+1, text[:done], wants, text[done:]))
		}
	}
	return out
}

// follow returns how many bytes of text the longest beginning of a pattern
// matches, and what comes next in the pattern.
func follow(re *regexp.Regexp, text string) (done int, wants string) {
	tree, err := syntax.Parse(re.String(), syntax.Perl)
	if err != nil || tree.Op != syntax.OpConcat {
		return 0, re.String()
	}
	for n := len(tree.Sub) - 1; n > 0; n-- {
		beginning := syntax.Regexp{Op: syntax.OpConcat, Sub: tree.Sub[:n], Flags: tree.Flags}
		if p, err := regexp.Compile(beginning.String()); err == nil {
			if m := p.FindStringIndex(text); m != nil {
				return m[1], describe(tree.Sub[n])
			}
		}
	}
	return 0, describe(tree.Sub[min(1, len(tree.Sub)-1)])
}

// describe names a part of a pattern for a person.
func describe(part *syntax.Regexp) string {
	switch part.Op {
	case syntax.OpLiteral:
		return fmt.Sprintf("%q", string(part.Rune))
	case syntax.OpEndText, syntax.OpEndLine:
		return "the end"
	case syntax.OpCapture:
		inner := strings.TrimPrefix(part.Sub[0].String(), "(?:")
		if part.Name == "" {
			return inner
		}
		return fmt.Sprintf("%s (%s)", part.Name, strings.TrimSuffix(inner, ")"))
	default:
		return part.String()
	}
}
