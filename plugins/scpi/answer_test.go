package scpi

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func cutAll(chunks ...string) []message {
	var c cutter
	var out []message
	for _, chunk := range chunks {
		c.push([]byte(chunk), func(m message) { out = append(out, m) })
	}
	return out
}

func TestMessagesAreCut(t *testing.T) {
	for _, c := range []struct {
		name, wire string
		want       []message
	}{
		{"one", "23.4\n", []message{{text: "23.4"}}},
		{"two, with carriage returns", "1\r\n2\r\n", []message{{text: "1"}, {text: "2"}}},
		{"not yet ended", "1\n2", []message{{text: "1"}}},
		{"a block of five bytes, two of them line feeds", "#15a\nb\nc\n7\n", []message{{text: "#15", block: true}, {text: "7"}}},
		{"a block and what is behind it", "#212abcdefghijkl;5\n7\n", []message{{text: "#212;5", block: true}, {text: "7"}}},
		{"a block of no definite length", "#0abc\n7\n", []message{{text: "#0abc"}, {text: "7"}}},
		{"a number to another base", "#HFF\n7\n", []message{{text: "#HFF"}, {text: "7"}}},
		{"a head that ends", "#\n#3\n#31\n7\n", []message{{text: "#"}, {text: "#3"}, {text: "#31"}, {text: "7"}}},
		{"nothing", "\n", []message{{}}},
		{"without end", strings.Repeat("x", 9000) + "\n7\n", []message{{text: strings.Repeat("x", longestMessage), tooLong: true}, {text: "7"}}},
	} {
		if got := cutAll(c.wire); !slices.Equal(got, c.want) {
			t.Errorf("%s: got %+v, want %+v", c.name, got, c.want)
		}
		if got := cutAll(strings.Split(c.wire, "")...); !slices.Equal(got, c.want) {
			t.Errorf("%s, byte by byte: got %+v, want %+v", c.name, got, c.want)
		}
	}
}

// The forms are those of IEEE 488.2 (8.7.2 to 8.7.4) and the two numbers that are
// none those of SCPI 1999.0 (volume 1, 7.2.1.4 and 7.2.1.5), both from memory.
func TestElementsAreRead(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		text string
		want element
	}{
		{"23", element{text: "23", value: 23}},
		{"+23", element{text: "+23", value: 23}},
		{"-0.5", element{text: "-0.5", value: -0.5}},
		{".5", element{text: ".5", value: 0.5}},
		{"5.", element{text: "5.", value: 5}},
		{"+2.15031E+01", element{text: "+2.15031E+01", value: 21.5031}},
		{"1e3", element{text: "1e3", value: 1000}},
		{"23.4 CEL", element{text: "23.4 CEL", value: 23.4, unit: "CEL"}},
		{"1.5E-3V", element{text: "1.5E-3V", value: 0.0015, unit: "V"}},
		{"45.2%", element{text: "45.2%", value: 45.2, unit: "%"}},
		{"2EV", element{text: "2EV", value: 2, unit: "EV"}},
		{"9.9E37", element{text: "9.9E37", value: nan, status: infinite}},
		{"+9.90000000E+37", element{text: "+9.90000000E+37", value: nan, status: infinite}},
		{"-9.9E37", element{text: "-9.9E37", value: nan, status: negative}},
		{"9.91E37", element{text: "9.91E37", value: nan, status: notANumber}},
		{"9.91000E+37 C", element{text: "9.91000E+37 C", value: nan, unit: "C", status: notANumber}},
		{"9.8E37", element{text: "9.8E37", value: 9.8e37}},
		{"NAN", element{text: "NAN", value: nan, status: notANumber}},
		{"ninf", element{text: "ninf", value: nan, status: negative}},
		{`"a ""b"""`, element{text: `a "b"`, value: nan}},
		{"2026-11-26", element{text: "2026-11-26", value: nan}},
		{"OVLD", element{text: "OVLD", value: nan}},
		{"1 2", element{text: "1 2", value: nan}},
		{"1E999", element{text: "1E999", value: nan}},
		{"0x1p4", element{text: "0x1p4", value: 0, unit: "x1p4"}},
		{"", element{value: nan}},
	} {
		got := readElement(c.text)
		same := got.value == c.want.value || math.IsNaN(got.value) && math.IsNaN(c.want.value)
		if !same || got.text != c.want.text || got.unit != c.want.unit || got.status != c.want.status {
			t.Errorf("%q: got %+v, want %+v", c.text, got, c.want)
		}
	}
}

func TestAnswersAreSplit(t *testing.T) {
	for _, c := range []struct {
		text string
		want []string
	}{
		{"1", []string{"1"}},
		{"1,2;3", []string{"1", "2", "3"}},
		{" 1 , 2 ", []string{"1", "2"}},
		{`"a,b";'c;d',2`, []string{"a,b", "c;d", "2"}},
		{"1,,2", []string{"1", "", "2"}},
	} {
		got, err := parse(message{text: c.text})
		var texts []string
		for _, e := range got {
			texts = append(texts, e.text)
		}
		if err != nil || !slices.Equal(texts, c.want) {
			t.Errorf("%q: got %q, %v", c.text, texts, err)
		}
	}
	for _, c := range []struct {
		m    message
		want string
	}{
		{message{}, "it is empty"},
		{message{text: "#15", block: true}, "FORM ASC"},
		{message{text: "1,#15abcde"}, `value 2, "#15abcde", is a block`},
		{message{text: "#HFF"}, "another base"},
		{message{text: `"abc`}, "ends within quotes"},
		{message{text: "1\x00"}, "the byte 0x00"},
		{message{text: "20\xb0"}, "the byte 0xb0"},
		{message{text: strings.Repeat("1,", 100)}, "more than 64 values"},
		{message{text: "xxx", tooLong: true}, "longer than 4096 bytes"},
	} {
		if _, err := parse(c.m); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.m, err, c.want)
		}
	}
}

func TestErrorsAreRead(t *testing.T) {
	for text, want := range map[string]int{
		`0,"No error"`: 0, `+0,"No error"`: 0, "0": 0,
		`-113,"Undefined header;FOO"`: -113, ` 201 , "Probe 1 open"`: 201,
	} {
		if e, err := parseError(message{text: text}); err != nil || e.code != want {
			t.Errorf("%q: %+v, %v", text, e, err)
		}
	}
	for _, text := range []string{"", "21.5", "No error", "Simulated,BT-2,0417,1.3", "1E3"} {
		if e, err := parseError(message{text: text}); err == nil {
			t.Errorf("%q is taken for %+v", text, e)
		}
	}
}

// However a number is printed, it is read as the same.
func TestNumbersAreReadAsPrinted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e30, 1e30).Draw(t, "value")
		text := rapid.SampledFrom([]string{
			strconv.FormatFloat(v, 'E', -1, 64), strconv.FormatFloat(v, 'f', -1, 64), strconv.FormatFloat(v, 'e', 17, 64),
		}).Draw(t, "text")
		if got := readElement(text); got.value != v || got.unit != "" {
			t.Fatalf("%q: %+v, want %v", text, got, v)
		}
	})
}

func FuzzAnswer(f *testing.F) {
	for _, s := range []string{
		"+2.15031E+01,9.91E37\n", "#15a\nb\nc\n7\n", "23.4 CEL;\"a,b\"\r\n", "#0abc\n", "-113,\"Undefined header\"\n",
		"Simulated,BT-2,0417,1.3\n", "#9999999999", "\"", "1,,;,\n", "9.9E37C\n",
	} {
		f.Add([]byte(s), uint8(3))
	}
	f.Fuzz(func(t *testing.T, wire []byte, step uint8) {
		var whole, pieces cutter
		var a, b []message
		whole.push(wire, func(m message) { a = append(a, m) })
		for rest := wire; len(rest) > 0; {
			n := min(int(step)+1, len(rest))
			pieces.push(rest[:n], func(m message) { b = append(b, m) })
			rest = rest[n:]
		}
		if !slices.Equal(a, b) {
			t.Fatalf("whole %+v, in pieces %+v", a, b)
		}
		if len(whole.text) > longestMessage || len(whole.header) > 11 {
			t.Fatalf("%d bytes are kept", len(whole.text))
		}
		for _, m := range a {
			isIdentity(m)
			if _, err := parseError(m); err == nil && (m.block || m.tooLong) {
				t.Fatalf("%+v is taken for an error", m)
			}
			elements, err := parse(m)
			if err == nil && (len(elements) == 0 || len(elements) > mostElement) {
				t.Fatalf("%d elements of %q", len(elements), m.text)
			}
			for _, e := range elements {
				if math.IsInf(e.value, 0) || math.Abs(e.value) >= scpiInf || e.status != "" && !math.IsNaN(e.value) {
					t.Fatalf("%q: %+v", m.text, e)
				}
			}
		}
	})
}
