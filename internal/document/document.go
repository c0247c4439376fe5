// Package document reads YAML files that people write, and says everything that
// is wrong with one at once, each with its line and column.
//
// A file becomes a tree of Nodes. A reader asks a node for what it expects
// (Field, Text, Number, Duration …); what is not as expected is recorded as a
// problem of the document, and the reader goes on with a default. Keys that no
// reader asked for are unknown keys: Root.Unknown reports them when all readers
// are done, so that several readers can share one map.
//
// The same readers work on values that come without a file (From), as they reach
// a driver process: then problems name the path of a value, not its place.
package document

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/evenbench/evenbench/internal/problem"
)

// Root is a whole document: its top map, and what is wrong with it.
type Root struct {
	*Node
	Problems problem.List

	file     string
	recorded map[problem.Problem]bool
}

// mostProblems is how many problems of one file a person would read.
const mostProblems = 200

// Unknown reports every key that no reader has asked for, with the known one it
// may have been meant to be. Call it once, after all readers.
func (r *Root) Unknown() {
	r.Node.unknown(false)
}

// Misspelled is Unknown for a document of which only a part has been read: it
// reports only the keys that are nearly a known one.
func (r *Root) Misspelled() {
	r.Node.unknown(true)
}

// Kind is what a node is.
type Kind int

// Kinds of node.
const (
	Null Kind = iota
	Text
	Number
	Bool
	Map
	List
)

func (k Kind) String() string {
	return [...]string{"nothing", "text", "a number", "true or false", "a map", "a list"}[k]
}

// Node is one value of a document. A nil Node is a value that is absent: every
// getter may be called on it, and returns its default without a problem.
type Node struct {
	root         *Root
	path         string
	line, column int

	kind   Kind
	text   string // scalars, as written
	number float64
	truth  bool
	items  []*Node
	// Fields in the order of the file.
	fields []*field
	// Keys that readers asked for and did not find, to propose when a key is
	// unknown.
	missed []string
	// A reader took the node whole, with whatever keys it has.
	whole bool
}

type field struct {
	key   string
	place *Node
	value *Node
	known bool
}

// From makes a document of a value as it is found in memory: maps, lists,
// strings, float64s, bools. Name stands for the file in problems.
func From(name string, value map[string]any) *Root {
	r := &Root{file: name}
	r.Node = r.from("", value)
	return r
}

func (r *Root) from(path string, value any) *Node {
	n := &Node{root: r, path: path}
	switch v := value.(type) {
	case string:
		n.kind, n.text = Text, v
	case float64:
		n.kind, n.number, n.text = Number, v, strconv.FormatFloat(v, 'g', -1, 64)
	case int:
		n.kind, n.number, n.text = Number, float64(v), strconv.Itoa(v)
	case bool:
		n.kind, n.truth, n.text = Bool, v, strconv.FormatBool(v)
	case []any:
		n.kind = List
		for i, item := range v {
			n.items = append(n.items, r.from(fmt.Sprintf("%s[%d]", path, i), item))
		}
	case map[string]any:
		n.kind = Map
		for _, key := range slices.Sorted(maps.Keys(v)) {
			child := r.from(join(path, key), v[key])
			n.fields = append(n.fields, &field{key: key, place: child, value: child})
		}
	}
	return n
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// Problem records a problem at the node's place. The same one is recorded once,
// however many readers find it.
func (n *Node) Problem(format string, args ...any) {
	if n == nil {
		return
	}
	text := fmt.Sprintf(format, args...)
	if n.path != "" {
		text = n.path + ": " + text
	}
	n.root.record(problem.Problem{File: n.root.file, Line: n.line, Column: n.column, Text: text})
}

func (r *Root) record(p problem.Problem) {
	if r.recorded[p] || len(r.Problems) > mostProblems {
		return
	}
	if len(r.Problems) == mostProblems {
		p = problem.Problem{File: r.file, Text: fmt.Sprintf("has more than %d problems: mend these first", mostProblems)}
	}
	if r.recorded == nil {
		r.recorded = map[problem.Problem]bool{}
	}
	r.recorded[p] = true
	r.Problems = append(r.Problems, p)
}

// Place returns the line and column of the node, from 1; zeros if it did not
// come from a file.
func (n *Node) Place() (line, column int) {
	if n == nil {
		return 0, 0
	}
	return n.line, n.column
}

// Kind returns what the node is; Null if it is absent.
func (n *Node) Kind() Kind {
	if n == nil {
		return Null
	}
	return n.kind
}

func (n *Node) unknown(onlyNear bool) {
	if n == nil || n.whole {
		return
	}
	for _, item := range n.items {
		item.unknown(onlyNear)
	}
	known := slices.Clone(n.missed)
	for _, f := range n.fields {
		if f.known {
			known = append(known, f.key)
		}
	}
	for _, f := range n.fields {
		switch {
		case f.known:
			f.value.unknown(onlyNear)
		case !onlyNear || near(f.key, known) != "":
			f.place.Problem("unknown key%s", Meant(f.key, known))
		}
	}
}

// Value returns the node as plain Go values: maps, lists, strings, float64s,
// bools, nil. It counts every key below as known.
func (n *Node) Value() any {
	if n == nil {
		return nil
	}
	n.whole = true
	return n.plain()
}

// plain is Value without counting the keys as known.
func (n *Node) plain() any {
	switch n.kind {
	case Text:
		return n.text
	case Number:
		return n.number
	case Bool:
		return n.truth
	case List:
		out := make([]any, len(n.items))
		for i, item := range n.items {
			out[i] = item.plain()
		}
		return out
	case Map:
		out := make(map[string]any, len(n.fields))
		for _, f := range n.fields {
			out[f.key] = f.value.plain()
		}
		return out
	default:
		return nil
	}
}

// PlainMap returns a map as plain Go values, without counting any key as known;
// nil if the node is not a map. It is what travels to a driver.
func (n *Node) PlainMap() map[string]any {
	if n.Kind() != Map {
		return nil
	}
	return n.plain().(map[string]any)
}

// Meant says which of the known words may have been meant by an unknown one: a
// phrase to append to a sentence, or all of the known words if they are few, or
// nothing.
func Meant(word string, known []string) string {
	known = slices.Clone(known)
	slices.Sort(known)
	known = slices.Compact(known)
	switch best := near(word, known); {
	case best != "":
		return fmt.Sprintf("; did you mean %q?", best)
	case len(known) == 0:
		return ""
	case len(known) <= 24:
		return "; use one of: " + strings.Join(known, ", ")
	}
	return ""
}

// near returns the known word that word is a slip of the finger from; empty if
// none is so near: one letter in three.
func near(word string, known []string) string {
	best, least := "", len(word)/3+1
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k)); d < least {
			best, least = k, d
		}
	}
	return best
}

// distance is the number of letters to insert, delete, replace or swap with a
// neighbour to make a into b.
func distance(a, b string) int {
	if len(a) > 40 || len(b) > 40 {
		return 40 // not a slip of the finger, and not worth the time
	}
	var before, row []int
	for j := range len(b) + 1 {
		row = append(row, j)
	}
	for i := 1; i <= len(a); i++ {
		next := make([]int, len(b)+1)
		next[0] = i
		for j := 1; j <= len(b); j++ {
			replaced := row[j-1]
			if a[i-1] != b[j-1] {
				replaced++
			}
			next[j] = min(row[j]+1, next[j-1]+1, replaced)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				next[j] = min(next[j], before[j-2]+1)
			}
		}
		before, row = row, next
	}
	return row[len(b)]
}
