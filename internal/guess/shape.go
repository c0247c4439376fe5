package guess

import (
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"
)

// Kinds of token.
const (
	number = 'n'
	word   = 'w'
	blank  = 's'
	moment = 't' // a date or a time of day
	sign   = 'p'
)

// token is a part of a message.
type token struct {
	kind byte
	text string
}

var tokens = regexp.MustCompile(`(\d{4}-\d\d-\d\d[ T]\d\d:\d\d(?::\d\d)?|\d\d:\d\d:\d\d)|([-+=*#_.]{2,})|((?:[-+] *)?\d+(?:[.,]\d+)?)|([\pL%°]+(?:/[\pL]+)?)|( +)|(.)`)

func tokenize(text string) []token {
	var out []token
	for _, m := range tokens.FindAllStringSubmatch(text, -1) {
		for i, kind := range []byte{moment, sign, number, word, blank, sign} {
			if m[i+1] != "" {
				out = append(out, token{kind, m[i+1]})
			}
		}
	}
	return out
}

// shape is messages that look alike: the same kinds of token in the same places.
type shape struct {
	messages [][]token
	example  string
	first    int // the message in which it came first
	// fields are what is read, by their places.
	fields map[int]*field
}

// states are words with which devices say how a value is; others that stand first in
// a message name what it is about.
var states = []string{"steady", "moving", "stable", "unstable", "settled", "motion", "ok", "st", "us", "sd", "s", "d", "dynamic", "ready", "busy"}

// shapes sorts messages by how they look, those that come most often first.
func shapes(texts []string) []*shape {
	found := map[string]*shape{}
	var out []*shape
	for i, text := range texts {
		parts := tokenize(text)
		key := signature(parts)
		s := found[key]
		if s == nil {
			s = &shape{example: text, first: i}
			found[key] = s
			out = append(out, s)
		}
		s.messages = append(s.messages, parts)
	}
	slices.SortStableFunc(out, func(a, b *shape) int { return len(b.messages) - len(a.messages) })
	return out
}

func signature(parts []token) string {
	var b strings.Builder
	for i, p := range parts {
		b.WriteByte(p.kind)
		named := p.kind == word && i == 0 && !slices.Contains(states, strings.ToLower(p.text))
		if p.kind == sign || named {
			b.WriteString(p.text)
		}
	}
	return b.String()
}

// at returns the different texts that stand at a place, in the order in which they
// came.
func (s *shape) at(i int) []string {
	var out []string
	for _, m := range s.messages {
		if !slices.Contains(out, m[i].text) {
			out = append(out, m[i].text)
		}
	}
	return out
}

// numbers returns the places of the numbers that may be values: not those that count
// tickets, which begin with 0 and have no point.
func (s *shape) numbers() []int {
	var out []int
	for i, t := range s.messages[0] {
		counts := len(t.text) > 1 && t.text[0] == '0' && !strings.ContainsAny(t.text, ".,")
		if t.kind == number && !counts {
			out = append(out, i)
		}
	}
	return out
}

// lacks finds the number in the place of which another message of the same look has
// something else, such as a word for a broken sensor. Unit tells whether the unit
// behind the number is left out as well.
func (s *shape) lacks(other []token) (place int, instead string, unit, ok bool) {
	mine := s.messages[0]
	for _, i := range s.numbers() {
		if i >= len(other) || other[i].kind != word && other[i].kind != sign || !alike(mine[:i], other[:i]) {
			continue
		}
		for behind := i + 1; behind <= min(i+3, len(mine)); behind++ {
			if !alike(mine[behind:], other[i+1:]) {
				continue
			}
			switch gone := mine[i+1 : behind]; {
			case len(gone) == 0:
				return i, other[i].text, false, true
			case len(gone) == 1 && gone[0].kind == word:
				return i, other[i].text, true, true
			}
		}
	}
	return 0, "", false, false
}

// alike tells whether tokens look the same.
func alike(a, b []token) bool {
	return slices.EqualFunc(a, b, func(a, b token) bool {
		return a.kind == b.kind && (a.kind != sign && a.kind != word || a.text == b.text)
	})
}

// decoded returns messages as text, those that are none, and the encoding; empty if
// there is no text at all. A few messages with other bytes are taken to be spoiled.
func decoded(messages [][]byte) (texts []string, spoiled [][]byte, encoding string) {
	var plain, other [][]byte
	noise, all := 0, 0
	for _, m := range messages {
		share := TextShare(m)
		noise, all = noise+int((1-share)*float64(len(m))), all+len(m)
		if share == 1 {
			plain = append(plain, m)
		} else {
			other = append(other, m)
		}
	}
	encoding = "ascii"
	switch {
	case float64(noise) > (1-leastText)*float64(all):
		return nil, nil, ""
	case 4*len(other) <= len(messages):
		messages, spoiled = plain, other
	case !slices.ContainsFunc(messages, func(m []byte) bool { return !utf8.Valid(m) }):
		encoding = "utf-8"
	default:
		encoding = "latin-1"
	}
	for _, m := range messages {
		text := string(m)
		if encoding == "latin-1" {
			runes := make([]rune, len(m))
			for i, c := range m {
				runes[i] = rune(c)
			}
			text = string(runes)
		}
		texts = append(texts, text)
	}
	return texts, spoiled, encoding
}

var code = regexp.MustCompile(`^[0-9A-Z]+([-/. ][0-9A-Z]+)*$`)

// codes tells whether messages are what a scanner of labels sends.
func codes(texts []string) bool {
	return !slices.ContainsFunc(texts, func(text string) bool {
		last := text[strings.LastIndexByte(text, ' ')+1:]
		_, unit := unitOf(last)
		letters := strings.ContainsFunc(text, func(r rune) bool { return r >= 'A' && r <= 'Z' })
		digits := strings.ContainsAny(text, "0123456789")
		return !code.MatchString(text) || !letters || !digits || unit || strings.Contains(text, ".")
	})
}
