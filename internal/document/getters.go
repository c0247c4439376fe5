package document

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Field returns the value of a key and counts the key as known; nil if the key
// is absent or has no value. A node that is not a map is a problem.
func (n *Node) Field(key string) *Node {
	if n == nil || !n.is(Map) {
		return nil
	}
	for _, f := range n.fields {
		if f.key == key {
			f.known = true
			if f.value.kind == Null {
				return nil
			}
			return f.value
		}
	}
	n.missed = append(n.missed, key)
	return nil
}

// Require is Field for a key that must be there; what says in a few words what
// to write.
func (n *Node) Require(key, what string) *Node {
	f := n.Field(key)
	if f == nil && n.Kind() == Map {
		n.Problem("%s is missing: write %s", key, what)
	}
	return f
}

// Entry is one key of a map, with its value.
type Entry struct {
	Key string
	// Place is where the key stands: for problems with the key itself.
	Place *Node
	// Value is never nil, but may be Null.
	Value *Node
}

// Entries returns all keys of a map whose keys are names of the writer's choice,
// in the order of the file (sorted, for a document that did not come from a
// file), and counts them as known.
func (n *Node) Entries() []Entry {
	if n == nil || !n.is(Map) {
		return nil
	}
	out := make([]Entry, len(n.fields))
	for i, f := range n.fields {
		f.known = true
		out[i] = Entry{f.key, f.place, f.value}
	}
	return out
}

// Keys returns the keys of a map in the order of the file, without counting them
// as known.
func (n *Node) Keys() []string {
	if n == nil {
		return nil
	}
	out := make([]string, len(n.fields))
	for i, f := range n.fields {
		out[i] = f.key
	}
	return out
}

// Items returns the elements of a list.
func (n *Node) Items() []*Node {
	if n == nil || !n.is(List) {
		return nil
	}
	return n.items
}

// Expect tells whether the node is of a kind, and records a problem if not.
func (n *Node) Expect(k Kind) bool { return n != nil && n.is(k) }

// is tells whether the node is of a kind, and records a problem if not, once.
func (n *Node) is(k Kind) bool {
	if n.kind == k {
		return true
	}
	if !n.whole {
		n.whole = true
		n.Problem("must be %v, but is %s", k, n.describe())
	}
	return false
}

func (n *Node) describe() string {
	switch n.kind {
	case Text:
		return strconv.Quote(shorten(n.text))
	case Number, Bool:
		return shorten(n.text)
	default:
		return n.kind.String()
	}
}

func shorten(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// Text returns text, or a number as it was written.
func (n *Node) Text(absent string) string {
	switch n.Kind() {
	case Null:
		return absent
	case Text, Number:
		return n.text
	case List:
		if len(n.items) == 1 && n.items[0].kind == Text {
			n.whole = true
			n.Problem("must be text, but is a list: if the brackets belong to it, write \"[%s]\" in quotes", shorten(n.items[0].text))
			return absent
		}
	}
	n.is(Text)
	return absent
}

// Several returns the elements of a list. One text stands for a list of one.
func (n *Node) Several() []*Node {
	switch n.Kind() {
	case Null:
		return nil
	case Text, Number:
		return []*Node{n}
	}
	return n.Items()
}

// Texts returns a list of texts. One text stands for a list of one.
func (n *Node) Texts() []string {
	var out []string
	for _, item := range n.Several() {
		out = append(out, item.Text(""))
	}
	return out
}

// Name returns a name: lower case letters, digits and '-', starting with a
// letter or digit, at most 63.
func (n *Node) Name() string {
	if n == nil {
		return ""
	}
	s := n.Text("")
	if s != "" && !IsName(s, '-') {
		n.Problem("%q cannot be a name: use lower case letters, digits and '-', at most 63", shorten(s))
		return ""
	}
	return s
}

// IsName tells whether s is made of 1 to 63 lower case letters, digits and the
// separator, and starts with a letter or digit.
func IsName(s string, separator rune) bool {
	if s == "" || len(s) > 63 || rune(s[0]) == separator {
		return false
	}
	return !strings.ContainsFunc(s, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != separator
	})
}

// OneOf returns one of the choices; the first is the default.
func (n *Node) OneOf(choices ...string) string {
	s := n.Text(choices[0])
	if !slices.Contains(choices, s) {
		n.Problem("%q is not known%s", shorten(s), Meant(s, choices))
		return choices[0]
	}
	return s
}

// Number returns a finite number.
func (n *Node) Number(absent float64) float64 {
	if n == nil || n.kind == Null || !n.is(Number) {
		return absent
	}
	if math.IsNaN(n.number) || math.IsInf(n.number, 0) {
		n.Problem("must be a finite number, but is %s", n.text)
		return absent
	}
	return n.number
}

// Positive returns a finite number above zero.
func (n *Node) Positive(absent float64) float64 {
	v := n.Number(math.NaN())
	if math.IsNaN(v) {
		return absent
	}
	if v <= 0 {
		n.Problem("must be above zero, but is %s", n.text)
		return absent
	}
	return v
}

// Int returns a whole number between low and high, both included.
func (n *Node) Int(absent, low, high int) int {
	if n == nil {
		return absent
	}
	v := n.Number(float64(absent))
	switch {
	case v != math.Trunc(v):
		n.Problem("must be a whole number, but is %s", n.text)
	case v < float64(low) || v > float64(high):
		n.Problem("%s is out of range: it must be from %d to %d", n.text, low, high)
	default:
		return int(v)
	}
	return absent
}

// Bool returns true or false.
func (n *Node) Bool(absent bool) bool {
	if n == nil || n.kind == Null || !n.is(Bool) {
		return absent
	}
	return n.truth
}

// Duration returns a time above zero, written with its unit: 500ms, 2s, 5m, 1h.
func (n *Node) Duration(absent time.Duration) time.Duration {
	if n == nil || n.kind == Null {
		return absent
	}
	const how = "write a time with its unit, such as 500ms, 2s, 5m or 1h"
	switch n.kind {
	case Text:
		d, err := time.ParseDuration(n.text)
		switch {
		case err != nil:
			n.Problem("%q is not a time: %s", shorten(n.text), how)
		case d <= 0:
			n.Problem("%q must be above zero", n.text)
		default:
			return d
		}
	case Number:
		n.Problem("%s has no unit: %s", n.text, how)
	default:
		n.is(Text)
	}
	return absent
}

// Date returns the start of a day, UTC, written as 2027-01-31.
func (n *Node) Date() time.Time {
	if n == nil {
		return time.Time{}
	}
	s := n.Text("")
	t, err := time.Parse(time.DateOnly, s)
	if err != nil && s != "" {
		n.Problem("%q is not a date: write year, month and day, such as 2027-01-31", shorten(s))
	}
	return t
}

// Range returns two finite numbers in order; ok is false if there are none.
func (n *Node) Range() (low, high float64, ok bool) {
	if n == nil || !n.is(List) {
		return 0, 0, false
	}
	if len(n.items) != 2 {
		n.Problem("must be two numbers, [low, high], but has %d", len(n.items))
		return 0, 0, false
	}
	low, high = n.items[0].Number(math.NaN()), n.items[1].Number(math.NaN())
	switch {
	case math.IsNaN(low) || math.IsNaN(high):
		return 0, 0, false
	case low >= high:
		n.Problem("[%v, %v] is upside down: the first must be below the second", low, high)
		return 0, 0, false
	}
	return low, high, true
}

// Regexp returns a compiled regular expression; nil if absent or wrong.
func (n *Node) Regexp() *regexp.Regexp {
	if n == nil || n.kind == Null {
		return nil
	}
	s := n.Text("")
	if s == "" {
		n.Problem("must be a regular expression, but is empty")
		return nil
	}
	re, err := regexp.Compile(s)
	if err != nil {
		n.Problem("%q is not a regular expression: %s", shorten(s), strings.TrimPrefix(err.Error(), "error parsing regexp: "))
	}
	return re
}
