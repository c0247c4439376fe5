package ascii

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

type piece struct {
	Text string
	Cut  cut
}

// pieces cuts a stream that arrives in the chunks given.
func pieces(f framing, chunks ...string) []piece {
	fr := framer{framing: f}
	var out []piece
	for _, c := range chunks {
		fr.push([]byte(c), func(b []byte, c cut) { out = append(out, piece{string(b), c}) })
	}
	return out
}

func TestFrames(t *testing.T) {
	line := framing{line: true, end: []byte("\r\n"), longest: 8}
	etx := framing{start: []byte("\x02"), end: []byte("\x03"), longest: 8}
	fixed := framing{start: []byte("##"), length: 3, longest: 8}
	for name, c := range map[string]struct {
		framing framing
		chunks  []string
		want    []piece
	}{
		"lines":                     {line, []string{"ab\r\ncd\r\n"}, []piece{{"ab", whole}, {"cd", whole}}},
		"a line in pieces":          {line, []string{"a", "b\r", "\nc", "d\r\n"}, []piece{{"ab", whole}, {"cd", whole}}},
		"empty lines":               {line, []string{"\r\n\r\nab\r\n\r\n"}, []piece{{"ab", whole}}},
		"a lone CR is no end":       {line, []string{"a\rb\r\n"}, []piece{{"a\rb", whole}}},
		"stray LF before":           {framing{line: true, end: []byte("\r"), longest: 8}, []string{"ab\r\ncd\r\n"}, []piece{{"ab", whole}, {"cd", whole}}},
		"NULs are passed on":        {line, []string{"\x00\x00\r\n"}, []piece{{"\x00\x00", whole}}},
		"the longest":               {line, []string{"12345678\r\n"}, []piece{{"12345678", whole}}},
		"one too many":              {line, []string{"123456789\r\nab\r\n"}, []piece{{"12345678", tooLong}, {"ab", whole}}},
		"one too many, in pieces":   {line, []string{"12345", "6789", "0\r", "\nab\r\n"}, []piece{{"12345678", tooLong}, {"ab", whole}}},
		"skipped until the end":     {line, []string{strings.Repeat("x", 50), "yyy", "\r", "\nab\r\n"}, []piece{{"xxxxxxxx", tooLong}, {"ab", whole}}},
		"delimiters keep spaces":    {framing{end: []byte(";"), longest: 8}, []string{" a ;\r\n;"}, []piece{{" a ", whole}, {"\r\n", whole}}},
		"between marks":             {etx, []string{"\x02ab\x03\r\n\x02cd\x03"}, []piece{{"ab", whole}, {"cd", whole}}},
		"joined in the middle":      {etx, []string{"5.2\x03\x02cd\x03"}, []piece{{"5.2", stray}, {"cd", whole}}},
		"broken off by the next":    {etx, []string{"\x02a\x02cd\x03"}, []piece{{"\x02a", stray}, {"cd", whole}}},
		"fixed":                     {fixed, []string{"##abc##def"}, []piece{{"abc", whole}, {"def", whole}}},
		"fixed, in pieces":          {fixed, []string{"#", "#a", "bc#", "#def"}, []piece{{"abc", whole}, {"def", whole}}},
		"fixed, joined":             {fixed, []string{"bc##def"}, []piece{{"bc", stray}, {"def", whole}}},
		"fixed, broken off":         {fixed, []string{"##a##def##ghi"}, []piece{{"##a", stray}, {"def", whole}, {"ghi", whole}}},
		"fixed, noise counted once": {fixed, []string{"xxxxxxxxxxxxxxxxxxxxxx", "yyyyyy", "##def"}, []piece{{"xxxxx", stray}, {"def", whole}}},
		"fixed, blanks between":     {fixed, []string{"##abc\r\n##def\r\n"}, []piece{{"abc", whole}, {"def", whole}}},
	} {
		got := pieces(c.framing, c.chunks...)
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: got %#v, want %#v", name, got, c.want)
		}
	}
}

// What comes out does not depend on how the stream was split.
func TestFramesDoNotDependOnChunks(t *testing.T) {
	framings := []framing{
		{line: true, end: []byte("\r\n"), longest: 6},
		{end: []byte("\n"), longest: 6},
		{start: []byte("\x02"), end: []byte("\x03\x03"), longest: 6},
	}
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(framings).Draw(t, "framing")
		stream := rapid.StringOfN(rapid.RuneFrom([]rune("ab\r\n\x02\x03")), 0, 60, -1).Draw(t, "stream")
		var chunks []string
		for rest := stream; rest != ""; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "n")
			chunks = append(chunks, rest[:n])
			rest = rest[n:]
		}
		whole, split := pieces(f, stream), pieces(f, chunks...)
		if !reflect.DeepEqual(whole, split) {
			t.Fatalf("%q in one: %#v; as %q: %#v", stream, whole, chunks, split)
		}
	})
}

// Ten megabytes without an end cost one frame of memory and one complaint.
func TestFramerHoldsOneFrame(t *testing.T) {
	f := framer{framing: framing{line: true, end: []byte("\r\n"), longest: 256}}
	random := rand.New(rand.NewPCG(1, 2))
	chunk := make([]byte, 4096)
	complaints := 0
	emit := func([]byte, cut) { complaints++ }
	for sent := 0; sent < 10<<20; {
		n := 1 + random.IntN(len(chunk))
		for i := range chunk[:n] {
			chunk[i] = "garbage\r\x00"[random.IntN(9)]
		}
		f.push(chunk[:n], emit)
		sent += n
	}
	if complaints != 1 {
		t.Errorf("%d complaints about one frame that never ended", complaints)
	}
	if c := cap(f.held); c > 4*256 {
		t.Errorf("holds %d bytes for a frame of 256 at most", c)
	}
	var got []string
	f.push([]byte("\r\nB=1\r\n"), func(b []byte, _ cut) { got = append(got, string(b)) })
	if !reflect.DeepEqual(got, []string{"B=1"}) {
		t.Errorf("after the next end mark: got %q", got)
	}
}

func FuzzFramer(f *testing.F) {
	for _, seed := range []string{"B=203.1C\r\n", "\x02+1.0\x03", "##abc##d##efg", "\r\n\r\n\r\r\n", strings.Repeat("\xff", 100)} {
		f.Add([]byte(seed), uint8(3))
	}
	framings := []framing{
		{line: true, end: []byte("\r\n"), longest: 16},
		{start: []byte("\x02"), end: []byte("\x03"), longest: 16},
		{start: []byte("##"), length: 3, longest: 16},
	}
	f.Fuzz(func(t *testing.T, stream []byte, split uint8) {
		for _, fr := range framings {
			x := framer{framing: fr}
			emit := func(b []byte, c cut) {
				most := fr.longest
				if c == stray || len(fr.end) == 0 {
					most += len(fr.start) + len(fr.end)
				}
				if len(b) > most {
					t.Fatalf("a piece of %d bytes", len(b))
				}
				if c == whole && len(fr.end) > 0 && bytes.Contains(b, fr.end) {
					t.Fatalf("an end mark inside frame %q", b)
				}
			}
			for rest := stream; len(rest) > 0; {
				n := min(len(rest), int(split)+1)
				x.push(rest[:n], emit)
				rest = rest[n:]
				if len(x.held) > fr.longest+len(fr.end)+len(fr.start) {
					t.Fatalf("holds %d bytes", len(x.held))
				}
			}
		}
	})
}
