package mqtt

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// The document and the pointers of RFC 6901, section 5.
func TestPointersOfTheStandard(t *testing.T) {
	doc, err := decode([]byte(`{
		"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,
		"i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}`))
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]any{
		"": doc, "/foo": []any{"bar", "baz"}, "/foo/0": "bar",
		"/": json.Number("0"), "/a~1b": json.Number("1"), "/c%d": json.Number("2"),
		"/e^f": json.Number("3"), "/g|h": json.Number("4"), "/i\\j": json.Number("5"),
		"/k\"l": json.Number("6"), "/ ": json.Number("7"), "/m~0n": json.Number("8"),
	} {
		p, err := parsePointer(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if got, ok := p.in(doc); !ok || !reflect.DeepEqual(got, want) {
			t.Errorf("%q: got %v, %v, want %v", text, got, ok, want)
		}
		if p.String() != text {
			t.Errorf("%q is written as %q", text, p)
		}
	}
	// RFC 6901, section 4: ~01 is ~1; no leading zeros; "-" is behind the last.
	for _, text := range []string{"/foo/2", "/foo/00", "/foo/01", "/foo/-", "/foo/-1", "/foo/1e0", "/foo/0/0", "/a", "/m~01n", "/foo/9999999999"} {
		p, err := parsePointer(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if got, ok := p.in(doc); ok {
			t.Errorf("%q names nothing, but gave %v", text, got)
		}
	}
	for _, text := range []string{"foo", "#/foo", "/m~n", "/m~", "/m~2"} {
		if p, err := parsePointer(text); err == nil {
			t.Errorf("%q is no pointer, but was read as %v", text, p)
		}
	}
}

func FuzzPointer(f *testing.F) {
	for _, text := range []string{"", "/", "/a~1b/~0/0", "/foo/-", "/~", "a"} {
		f.Add(text, `{"a/b": {"~": [1]}, "": [[]]}`)
	}
	f.Fuzz(func(t *testing.T, text, document string) {
		p, err := parsePointer(text)
		if err != nil {
			return
		}
		if p.String() != text {
			t.Fatalf("%q was read as %v", text, p)
		}
		if again, err := parsePointer(p.String()); err != nil || !slices.Equal(again, p) {
			t.Fatalf("%q: %v, %v", text, again, err)
		}
		if len(p) != strings.Count(text, "/") {
			t.Fatalf("%q has %d tokens", text, len(p))
		}
		if doc, err := decode([]byte(document)); err == nil {
			p.in(doc)
		}
	})
}
