package guess_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/guess"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/internal/transcript"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sheet"
)

var update = flag.Bool("update", false, "write what is seen as what is expected")

func check(text string) problem.List {
	_, problems := sheet.Parse("draft.yaml", []byte(text), sheet.Drivers{"ascii": {Sheet: ascii.Check, Link: ascii.CheckLink}})
	return problems
}

// reads counts the messages that a draft reads.
func reads(t *testing.T, text string, events []transcript.Event) (read int) {
	t.Helper()
	root := document.Parse("draft.yaml", []byte(text))
	r := ascii.ReadSheet(root.Node).NewReader()
	said := transcript.Transcript{Events: events}
	r.Push(said.Said(transcript.Device), func(f ascii.Frame) {
		if f.Outcome == ascii.Read {
			read++
		}
	})
	return read
}

// What is drafted from each instrument of the sheets that ship stands in a file, with
// what a person must fill in; where nothing is missing the draft reads what came.
func TestDrafts(t *testing.T) {
	for name, least := range map[string]int{"bench-scale": 7, "thermocouple-reader": 3, "water-activity-meter": 2, "label-scanner": 3, "moisture-meter": 0, "colour-meter": 0} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join("../../plugins/sheets/testdata", name+".transcript")
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			read, problems := transcript.Parse(path, text)
			if err := problems.Err(); err != nil {
				t.Fatal(err)
			}
			d := guess.Sheet("draft", "a transcript", read.Events, guess.Frame(read.Events))
			missing := check(d.Text)
			got := d.Text
			if len(missing) > 0 {
				got += "\nStill to be filled in:\n" + missing.Error() + "\n"
			} else if n := reads(t, d.Text, read.Events); n < least {
				t.Errorf("the draft reads %d messages, want %d", n, least)
			}
			golden := filepath.Join("testdata", name+".draft")
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("drafted:\n%s\nwant:\n%s", got, want)
			}
		})
	}
}

// fillIn is all that the check may say of a draft: what nobody could guess.
var fillIn = []string{
	"quantity is missing", "means nothing without a basis", "must have at least one channel",
	"frame is missing",
}

// Whatever is heard, the draft is sound but for what a person must fill in, and that
// is said with its place.
func FuzzSheet(f *testing.F) {
	for _, text := range spoken {
		f.Add([]byte(text))
	}
	f.Add([]byte("\x02+12.4 g\x031\x02OL\x031\x02+12.5 'g\x030"))
	f.Add([]byte("\x01\x90\xFF\x55\xAA\x01\x91\xFE\x55\xAA\x02\x05\xFD\x55\xAA\x01\x93\xFC\x55\xAA"))
	f.Add([]byte("T=21,4\xb0C\nT=21,6\xb0C\nT=--,-\xb0C\n"))
	f.Add([]byte("unit 1 status 2 1 2 time 3\n12 % 13 % {a: b} # c\n0 'x' \\ 1e5\n"))
	f.Fuzz(func(t *testing.T, said []byte) {
		events := heard(time.Millisecond, string(said))
		d := guess.Sheet("draft", "a test", events, guess.Frame(events))
		for _, p := range check(d.Text) {
			known := false
			for _, text := range fillIn {
				known = known || strings.Contains(p.Text, text)
			}
			if !known || p.Line == 0 {
				t.Errorf("of the draft it is said: %v\n%s", p, d.Text)
			}
		}
	})
}
