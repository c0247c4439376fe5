package transcript_test

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/transcript"
)

const scale = `evenbench transcript 1
about: a bench scale
sheet: bench-scale

    0.000  device  "STEADY +  152.35 g\r\n"
    1.250  host    "T\r\n"
    1.300  device  "T DONE\r\n"
                   "STEADY +    0.00 g\r\n"
    9.000  closed
`

func TestParse(t *testing.T) {
	got, problems := transcript.Parse("scale", []byte(scale))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	want := &transcript.Transcript{
		Notes: []transcript.Note{{Word: "about", Text: "a bench scale"}, {Word: "sheet", Text: "bench-scale"}},
		Events: []transcript.Event{
			{At: 0, Kind: transcript.Device, Bytes: []byte("STEADY +  152.35 g\r\n"), Line: 5},
			{At: 1250 * time.Millisecond, Kind: transcript.Host, Bytes: []byte("T\r\n"), Line: 6},
			{At: 1300 * time.Millisecond, Kind: transcript.Device, Bytes: []byte("T DONE\r\nSTEADY +    0.00 g\r\n"), Line: 7},
			{At: 9 * time.Second, Kind: transcript.Closed, Line: 9},
		},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if again := string(got.Append(nil)); again != scale {
		t.Errorf("written again it reads:\n%s", again)
	}
}

// Each mistake is named with its line and column, and those behind it as well.
func TestProblemsHaveAPlace(t *testing.T) {
	const head = "evenbench transcript 1\n"
	for _, c := range []struct{ text, want string }{
		{"", "x:1:1: is empty"},
		{"evenbench transcript 2\n", `x:1:1: is no transcript: the first line must be "evenbench transcript 1", but is "evenbench transcript 2"`},
		{head + "sheat: a\n", `x:2:1: there is no note "sheat"; did you mean "sheet"?`},
		{head + "sheet: a\nsheet: b\n", "x:3:1: the note sheet stands here a second time"},
		{head + "  1.2.3 device \"a\"\n", `x:2:3: "1.2.3" is no time`},
		{head + "-1 device \"a\"\n", `x:2:1: "-1" is no time`},
		{head + "99999999 device \"a\"\n", "x:2:1: \"99999999\" s is longer than a month"},
		{head + "2 device \"a\"\n1.5 device \"b\"\n", "x:3:1: 1.5 s is before the event above it, which was at 2.000 s"},
		{head + "0 devcie \"a\"\n", `x:2:3: "devcie" is none of device, host, closed`},
		{head + "0 device a\n", `x:2:10: "a" is not in quotes`},
		{head + "0 device \"a\n", "x:2:12: the line ends before the quote"},
		{head + "0 device \"a\\q\"\n", `x:2:12: "\\q\"" is no byte`},
		{head + "0 device \"a\\xG0\"\n", `x:2:12: "\\xG0" is no byte`},
		{head + "0 device \"\xff\"\n", `x:2:11: the byte FF does not show: write \xFF`},
		{head + "0 device \"\"\n", "x:2:10: says no bytes"},
		{head + "0 device\n", "x:2:9: says no bytes"},
		{head + "0 closed \"a\"\n", "x:2:10: closed says nothing"},
		{head + "\"a\"\n", "x:2:1: goes on with an event, but there is none"},
		{head + "0 closed\n \"a\"\n", "x:3:2: goes on with an event, but there is none"},
		{head + "0 host \"a\"\nsheet: a\n", `x:3:1: starts with "sheet: a"`},
	} {
		_, problems := transcript.Parse("x", []byte(c.text))
		if got := problems.Error(); !strings.HasPrefix(got, c.want) {
			t.Errorf("%q:\n got %q\nwant %q", c.text, got, c.want)
		}
	}
	_, problems := transcript.Parse("x", []byte(head+"a: b\n0 x \"\"\n"))
	if len(problems) != 2 {
		t.Errorf("want both mistakes, got:\n%v", problems)
	}
}

func TestRemarks(t *testing.T) {
	got, problems := transcript.Parse("x", []byte("evenbench transcript 1\r\n# a remark\r\n0 device \"a#\" # another\r\n  # and one\r\n  \"b\" \"c\"#\r\n1 closed # gone\r\n"))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	if said := string(got.Said(transcript.Device)); said != "a#bc" || len(got.Events) != 2 {
		t.Errorf("read %q, %+v", said, got.Events)
	}
}

// Every byte and every time comes back.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := &transcript.Transcript{}
		if rapid.Bool().Draw(t, "noted") {
			want.Notes = []transcript.Note{{Word: "link", Text: "tcp 127.0.0.1:4001"}}
		}
		at := time.Duration(0)
		for range rapid.IntRange(0, 8).Draw(t, "events") {
			at += time.Duration(rapid.Int64Range(0, int64(10*time.Second)).Draw(t, "after"))
			e := transcript.Event{At: at, Kind: transcript.Kind(rapid.IntRange(0, 2).Draw(t, "kind"))}
			if e.Kind != transcript.Closed {
				e.Bytes = rapid.SliceOfN(rapid.Byte(), 1, 300).Draw(t, "bytes")
			}
			want.Events = append(want.Events, e)
		}
		got, problems := transcript.Parse("x", want.Append(nil))
		if err := problems.Err(); err != nil {
			t.Fatal(err)
		}
		for i := range got.Events {
			got.Events[i].Line = 0
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got  %+v\nwant %+v", got, want)
		}
	})
}

func TestRecorder(t *testing.T) {
	var file bytes.Buffer
	r := transcript.NewRecorder(&file, transcript.Note{Word: "sheet", Text: "bench-scale"})
	every := make([]byte, 256)
	for i := range every {
		every[i] = byte(i)
	}
	r.Sent([]byte("T\r\n"))
	r.Received(every)
	r.Received(nil)
	r.Closed()
	if err := r.Err(); err != nil {
		t.Fatal(err)
	}
	got, problems := transcript.Parse("x", file.Bytes())
	if err := problems.Err(); err != nil {
		t.Fatalf("%v\n%s", err, &file)
	}
	if len(got.Events) != 3 || !bytes.Equal(got.Events[1].Bytes, every) || got.Events[0].At != 0 || got.Note("sheet") != "bench-scale" {
		t.Errorf("got %+v", got)
	}
	for line := range strings.Lines(file.String()) {
		// A piece of bytes that do not show takes four signs for each; text fits.
		if !strings.Contains(line, `\x`) && len(line) > 81 {
			t.Errorf("%d wide: %s", len(line)-1, line)
		}
	}
}

// Whatever is read without a problem is written and read again as it is.
func FuzzParse(f *testing.F) {
	f.Add([]byte(scale))
	f.Add([]byte("evenbench transcript 1\n0 host \"\\x00\\\"\\\\\" \"b\"#\n  \"c\"\n1.5 closed\n"))
	f.Add([]byte("evenbench transcript 1\nabout:\nlink: a:b\n"))
	shipped, err := filepath.Glob("../../plugins/sheets/testdata/*.transcript")
	if err != nil {
		f.Fatal(err)
	}
	for _, path := range shipped {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got, problems := transcript.Parse("x", data)
		for _, p := range problems {
			if p.Line < 1 || p.Column < 1 {
				t.Errorf("a problem without a place: %v", p)
			}
		}
		if len(problems) > 0 {
			return
		}
		again, problems := transcript.Parse("x", got.Append(nil))
		if err := problems.Err(); err != nil {
			t.Fatal(err)
		}
		if len(got.Events) != len(again.Events) {
			t.Fatalf("%d events became %d", len(got.Events), len(again.Events))
		}
		for i := range got.Events {
			a, b := got.Events[i], again.Events[i]
			if a.At != b.At || a.Kind != b.Kind || !bytes.Equal(a.Bytes, b.Bytes) {
				t.Fatalf("event %d: %+v became %+v", i, a, b)
			}
		}
	})
}
