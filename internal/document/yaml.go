package document

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// MaxSize is the longest file that is read, in bytes. A sheet is a few hundred.
const MaxSize = 256 << 10

const (
	// maxDepth is how deep values may lie in one another: sheets need 5.
	maxDepth = 32
	// maxOpen is how many brackets, or dashes on one line, may be open for the
	// parser, which descends once for each. Those in texts and comments are
	// counted too, so that it is far more than files need.
	maxOpen = 1000
)

// Parse reads a YAML file. The document is never nil; what cannot be read is a
// problem in it, and the rest of the tree is there.
func Parse(file string, data []byte) *Root {
	r := &Root{file: file}
	r.Node = &Node{root: r, line: 1, column: 1, kind: Map}
	switch {
	case len(data) > MaxSize:
		r.refuse("read file: it has %d bytes, and may have %d at most", len(data), MaxSize)
	case !utf8.Valid(data):
		r.refuse("read file: it is not UTF-8 text")
	case tooDeep(data):
		r.refuse("read file: lists or maps are nested more than %d deep", maxDepth)
	default:
		r.parse(data)
	}
	return r
}

// refuse records why the file is not read at all, and silences what readers
// would say of the empty tree.
func (r *Root) refuse(format string, args ...any) {
	r.Node.Problem(format, args...)
	r.Node.whole, r.Node.kind = true, Null
}

func (r *Root) parse(data []byte) {
	f, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		var at yaml.Error
		if errors.As(err, &at) && at.GetToken() != nil {
			p := at.GetToken().Position
			r.Node.line, r.Node.column = p.Line, p.Column
			r.refuse("read as YAML: %s%s", at.GetMessage(), hint(data, at))
		} else {
			r.refuse("read as YAML: %v", err)
		}
		return
	}
	var bodies []ast.Node
	for _, d := range f.Docs {
		if d.Body != nil && d.Body.Type() != ast.CommentType {
			bodies = append(bodies, d.Body)
		}
	}
	switch {
	case len(bodies) == 0:
		r.refuse("read file: it is empty")
	case len(bodies) > 1:
		r.node("", bodies[1], 0).Problem("must be one document: remove the second")
		fallthrough
	default:
		r.Node = r.node("", bodies[0], 0)
		r.Node.is(Map)
	}
}

// hint says what to do about two slips that YAML's own messages do not explain.
func hint(data []byte, e yaml.Error) string {
	at := e.GetToken().Position.Line
	lines := strings.Split(string(data), "\n")
	if at < 1 || at > len(lines) {
		return ""
	}
	switch line := lines[at-1]; {
	case strings.HasPrefix(strings.TrimLeft(line, " "), "\t"):
		return ": indent with spaces"
	case strings.Contains(line, "%") && strings.Contains(e.GetMessage(), "directive"):
		return ": write \"%\" in quotes"
	}
	return ""
}

// tooDeep tells whether the parser would take too much memory or time over the
// nesting of a file: open brackets, or lists within lists on one line.
func tooDeep(data []byte) bool {
	open, dashes := 0, 0
	for i, c := range data {
		switch c {
		case '[', '{':
			open++
		case ']', '}':
			open--
		case '-':
			if i > 0 && data[i-1] == ' ' {
				dashes++
			}
			continue
		case ' ':
			continue
		}
		if open > maxOpen || dashes > maxOpen {
			return true
		}
		dashes = 0
	}
	return dashes > maxOpen
}

func (r *Root) at(a ast.Node) *Node {
	n := &Node{root: r}
	if t := a.GetToken(); t != nil && t.Position != nil {
		n.line, n.column = t.Position.Line, t.Position.Column
	}
	return n
}

func (r *Root) node(path string, a ast.Node, depth int) *Node {
	n := r.at(a)
	n.path = path
	if depth > maxDepth {
		n.Problem("is nested more than %d deep", maxDepth)
		n.whole = true
		return n
	}
	switch a := a.(type) {
	case *ast.StringNode:
		n.kind, n.text = Text, a.Value
	case *ast.LiteralNode:
		n.kind, n.text = Text, a.Value.Value
	case *ast.BoolNode:
		n.kind, n.truth, n.text = Bool, a.Value, written(a.Token)
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		n.kind, n.number, n.text = Number, numeric(a.(ast.ScalarNode).GetValue()), written(a.GetToken())
	case *ast.NullNode:
	case *ast.SequenceNode:
		n.kind = List
		for i, item := range a.Values {
			n.items = append(n.items, r.node(fmt.Sprintf("%s[%d]", path, i), item, depth+1))
		}
	case *ast.MappingNode:
		r.fields(n, a.Values, depth)
		if a.IsFlowStyle {
			n.place(a.GetToken())
		}
	case *ast.MappingValueNode:
		r.fields(n, []*ast.MappingValueNode{a}, depth)
	default:
		n.whole = true
		n.Problem("cannot read %s here: write the value itself; anchors, aliases and tags are not read", strings.ToLower(a.Type().String()))
	}
	return n
}

func (r *Root) fields(n *Node, values []*ast.MappingValueNode, depth int) {
	n.kind = Map
	seen := map[string]bool{}
	for i, v := range values {
		place := r.at(v.Key)
		if i == 0 {
			n.line, n.column = place.line, place.column
		}
		key, ok := v.Key.(ast.ScalarNode)
		if !ok || v.Key.IsMergeKey() {
			place.path = n.path
			place.Problem("cannot be a key: write a plain word; merge keys and keys of several parts are not read")
			continue
		}
		name := fmt.Sprint(key.GetValue())
		place.path = join(n.path, name)
		if seen[name] {
			place.Problem("stands here a second time: remove or rename one")
			continue
		}
		seen[name] = true
		n.fields = append(n.fields, &field{key: name, place: place, value: r.node(place.path, v.Value, depth+1)})
	}
}

func (n *Node) place(t *token.Token) {
	if t != nil && t.Position != nil {
		n.line, n.column = t.Position.Line, t.Position.Column
	}
}

func written(t *token.Token) string {
	return strings.TrimSpace(t.Value)
}

func numeric(v any) float64 {
	switch v := v.(type) {
	case float64:
		return v
	case uint64:
		return float64(v)
	case int64:
		return float64(v)
	case int:
		return float64(v)
	}
	f, err := strconv.ParseFloat(fmt.Sprint(v), 64)
	if err != nil {
		return math.NaN()
	}
	return f
}
