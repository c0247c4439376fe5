package document_test

import (
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/document"
)

// read is a reader such as drivers have, which touches every getter.
func read(r *document.Root) {
	r.Require("name", "a name").Name()
	r.Field("text").Text("")
	r.Field("texts").Texts()
	r.Field("mode").OneOf("listen", "ask")
	r.Field("number").Number(1)
	r.Field("positive").Positive(1)
	r.Field("whole").Int(1, 0, 10)
	r.Field("truth").Bool(false)
	r.Field("time").Duration(time.Second)
	r.Field("day").Date()
	r.Field("range").Range()
	r.Field("pattern").Regexp()
	r.Field("map").Field("key").Text("")
	for _, n := range r.Field("list").Items() {
		n.Field("key").Number(0)
	}
	for _, e := range r.Field("free").Entries() {
		e.Value.Text("")
	}
	r.Unknown()
}

func TestProblemsNamePlaceAndRemedy(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"nothing wrong", "name: a-1\nmode: ask\ntime: 500ms\nday: 2027-01-31\nrange: [-1, 2.5]\nwhole: 0x0A\ntruth: true\n", ""},
		{"missing", "text: a\n", "f:1:1: name is missing: write a name"},
		{"not a name", "name: Big One\n", `f:1:7: name: "Big One" cannot be a name: use lower case letters, digits and '-', at most 63`},
		{"unknown key, near", "name: a\nnubmer: 3\n", `f:2:1: nubmer: unknown key; did you mean "number"?`},
		{"unknown key below", "name: a\nmap: {kee: b}\n", `f:2:7: map.kee: unknown key; did you mean "key"?`},
		{"unknown key in a list", "name: a\nlist:\n  - key: 1\n  - kay: 1\n", `f:4:5: list[1].kay: unknown key; did you mean "key"?`},
		{"quotes forgotten", "name: a\ntext: [degF]\n", `f:2:7: text: must be text, but is a list: if the brackets belong to it, write "[degF]" in quotes`},
		{"choice", "name: a\nmode: sak\n", `f:2:7: mode: "sak" is not known; did you mean "ask"?`},
		{"no number", "name: a\nnumber: x\n", `f:2:9: number: must be a number, but is "x"`},
		{"NaN", "name: a\nnumber: .nan\n", "f:2:9: number: must be a finite number, but is .nan"},
		{"not positive", "name: a\npositive: 0\n", "f:2:11: positive: must be above zero, but is 0"},
		{"not whole", "name: a\nwhole: 1.5\n", "f:2:8: whole: must be a whole number, but is 1.5"},
		{"out of range", "name: a\nwhole: 11\n", "f:2:8: whole: 11 is out of range: it must be from 0 to 10"},
		{"no truth", "name: a\ntruth: 1\n", "f:2:8: truth: must be true or false, but is 1"},
		{"time without unit", "name: a\ntime: 2\n", "f:2:7: time: 2 has no unit: write a time with its unit, such as 500ms, 2s, 5m or 1h"},
		{"time below zero", "name: a\ntime: -2s\n", `f:2:7: time: "-2s" must be above zero`},
		{"no date", "name: a\nday: 31.1.2027\n", `f:2:6: day: "31.1.2027" is not a date: write year, month and day, such as 2027-01-31`},
		{"upside down", "name: a\nrange: [2, 1]\n", "f:2:8: range: [2, 1] is upside down: the first must be below the second"},
		{"range of three", "name: a\nrange: [1, 2, 3]\n", "f:2:8: range: must be two numbers, [low, high], but has 3"},
		{"bad pattern", "name: a\npattern: '(a'\n", "f:2:10: pattern: \"(a\" is not a regular expression: missing closing ): `(a`"},
		{"map expected", "name: a\nmap: 3\n", "f:2:6: map: must be a map, but is 3"},
		{"list expected", "name: a\nlist: {a: 1}\n", "f:2:7: list: must be a list, but is a map"},
		{"twice", "name: a\nname: b\n", "f:2:1: name: stands here a second time: remove or rename one"},
		{"bare percent", "name: a\ntext: %\n", `f:2:7: read as YAML: undefined directive value: write "%" in quotes`},
		{"tab", "name: a\nmap:\n\tkey: a\n", "f:3:1: read as YAML: found character '\t' that cannot start any token: indent with spaces"},
		{"anchor", "name: a\ntext: &b c\n", "f:2:7: text: cannot read anchor here: write the value itself; anchors, aliases and tags are not read"},
		{"second document", "name: a\n---\nname: b\n", "f:3:1: must be one document: remove the second"},
		{"empty", "", "f:1:1: read file: it is empty"},
		{"comment only", "# nothing\n", "f:1:1: read file: it is empty"},
		{"no map", "- a\n", "f:1:1: must be a map, but is a list"},
		{"not text", "name: \xff\n", "f:1:1: read file: it is not UTF-8 text"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := document.Parse("f", []byte(c.in))
			read(r)
			r.Problems.Sort()
			if got := r.Problems.Error(); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func TestValuesAreRead(t *testing.T) {
	r := document.Parse("f", []byte("a: 12.50\nb: 'x\ty'\nc: |\n  one\n  two\nd: [1, on]\ne: 1h\nf: -3\n"))
	if got := r.Field("a").Text(""); got != "12.50" {
		t.Errorf("a number as text: %q, want it as written", got)
	}
	if got := r.Field("b").Text(""); got != "x\ty" {
		t.Errorf("quoted text: %q", got)
	}
	if got := r.Field("c").Text(""); got != "one\ntwo\n" {
		t.Errorf("block text: %q", got)
	}
	if got := strings.Join(r.Field("d").Texts(), "|"); got != "1|on" {
		t.Errorf("texts: %q", got)
	}
	if got := r.Field("e").Duration(0); got != time.Hour {
		t.Errorf("time: %v", got)
	}
	if got := r.Field("f").Number(0); got != -3 {
		t.Errorf("number: %v", got)
	}
	if got := r.Field("none").Field("none").Number(7); got != 7 {
		t.Errorf("an absent number: %v, want the default", got)
	}
	if len(r.Problems) != 0 {
		t.Error(r.Problems)
	}
}

// A driver process gets the same sheet without the file: the same reader must
// find the same.
func TestFromFindsWhatParseFinds(t *testing.T) {
	const in = "name: Big\nmode: sak\nwhole: 1.5\nlist: [{key: x}]\nmore: 1\n"
	file := document.Parse("f", []byte(in))
	plain := document.From("f", file.PlainMap())
	read(file)
	read(plain)
	texts := func(r *document.Root) map[string]bool {
		out := map[string]bool{}
		for _, p := range r.Problems {
			out[p.Text] = true
		}
		return out
	}
	a, b := texts(file), texts(plain)
	if len(a) != 5 || len(a) != len(b) {
		t.Fatalf("file: %v\nplain: %v", a, b)
	}
	for text := range a {
		if !b[text] {
			t.Errorf("not found without the file: %s", text)
		}
	}
}

func TestHostileFilesAreRefused(t *testing.T) {
	for name, in := range map[string]string{
		"too long":      strings.Repeat("a", document.MaxSize+1),
		"open brackets": strings.Repeat("[", document.MaxSize),
		"dashes":        strings.Repeat("- ", document.MaxSize/2),
		"deep":          "a: " + strings.Repeat("[", 100) + strings.Repeat("]", 100),
		"many problems": strings.Repeat("a: 1\n", 10_000),
	} {
		r := document.Parse("f", []byte(in))
		read(r)
		if n := len(r.Problems); n == 0 || n > 201 {
			t.Errorf("%s: %d problems, want some, and no more than a person would read", name, n)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		"name: a\nmap: {key: [1, 2]}\n", "a: &b c\nd: *b\n", "? x\n: y\n", "a: |\n  b\n", "<<: {a: 1}\n", "a: !!str 1\n",
		"{a: b, c: }", "a:\n- b\n-\n", "%YAML 1.2\n---\na: b\n", "a: \"\\u0000\"", "name: .inf", "? [a]\n: b",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r := document.Parse("f", data)
		read(r)
		_ = r.PlainMap()
		for _, p := range r.Problems {
			if p.Text == "" {
				t.Error("a problem without a text")
			}
		}
	})
}
