package guess_test

import (
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/guess"
	"github.com/evenbench/evenbench/internal/transcript"
)

// heard is what a device said, in pieces with a time between them.
func heard(between time.Duration, pieces ...string) []transcript.Event {
	var out []transcript.Event
	for i, p := range pieces {
		out = append(out, transcript.Event{At: time.Duration(i) * between, Kind: transcript.Device, Bytes: []byte(p)})
	}
	return out
}

func TestFraming(t *testing.T) {
	var apart []transcript.Event
	for i, p := range []string{"\x91\x07", "\x81", "\x92\xF0", "\x82\x11\xEE", "\x93", "\x83", "\x99\x01", "\x84", "\xA0\x51", "\x85"} {
		at := time.Duration(i/2)*time.Second + time.Duration(i%2)*5*time.Millisecond
		apart = append(apart, transcript.Event{At: at, Kind: transcript.Device, Bytes: []byte(p)})
	}
	for _, c := range []struct {
		name   string
		events []transcript.Event
		how    guess.How
		start  string
		end    string
		length int
		n      int
		why    string
	}{
		{"lines", heard(time.Second, "52.35 g\r\nSTEADY + 1", "52.35 g\r\n"), guess.Lines, "", "\r\n", 0, 2, `"\r\n" came twice`},
		{"bare CR, with a late LF", heard(time.Second, "A1\rA2\r", "\nA3\rA4\r"), guess.Lines, "", "\r", 0, 4, `"\r" came 3 times`},
		{"LF", heard(time.Second, "1.0\n2.0\n"), guess.Lines, "", "\n", 0, 2, `"\n" came twice`},
		{"STX and ETX", heard(time.Second, "3.1\x03\x02+12.4 g\x03\x02+12.5 g\x03", "\x02+12"), guess.Marks, "\x02", "\x03", 0, 2, "2 messages lie between"},
		{"with a checksum", heard(time.Second, "\x02+12.4 g\x031\x02+12.5 g\x030\x02+12.5 g\x030"), guess.Marks, "\x02", "\x03", 0, 3, "perhaps a checksum"},
		{"one length", heard(time.Second, "\x01\x90\xFF\x55\xAA\x01\x91\xFE\x55\xAA\x02\x05\xFD\x55\xAA\x01\x93\xFC\x55\xAA\x04\x94\xFB"), guess.Fixed, "\x55\xAA", "", 3, 4, "comes again every 5 bytes"},
		{"silence", apart, guess.Silence, "", "", 0, 4, "set apart by silence"},
		{"nothing", nil, guess.NoFraming, "", "", 0, 0, "no byte came"},
		{"noise", heard(time.Second, "\x80\xF1\x07\x99"), guess.NoFraming, "", "", 0, 0, "4 bytes came, with no line end"},
	} {
		f := guess.Frame(c.events)
		if f.How != c.how || string(f.Start) != c.start || string(f.End) != c.end || f.Length != c.length || len(f.Messages) != c.n {
			t.Errorf("%s: got %+v with %d messages %q", c.name, f, len(f.Messages), f.Messages)
		}
		if why := strings.Join(f.Why, "\n"); !strings.Contains(why, c.why) {
			t.Errorf("%s: because %q, want %q", c.name, why, c.why)
		}
	}
}

// Whatever is heard, a proposal can be made of it.
func FuzzFrame(f *testing.F) {
	for _, text := range spoken {
		f.Add([]byte(text))
	}
	f.Add([]byte("\x02+12.4 g\x031\x02+12.5 g\x030"))
	f.Add([]byte("\x01\x90\xFF\x55\xAA\x01\x91\xFE\x55\xAA\x02\x05\xFD\x55\xAA\x01\x93\xFC\x55\xAA"))
	f.Fuzz(func(t *testing.T, said []byte) {
		var pieces []string
		for len(said) > 0 {
			n := min(len(said), 1+int(said[0])%32)
			pieces, said = append(pieces, string(said[:n])), said[n:]
		}
		framing := guess.Frame(heard(time.Millisecond, pieces...))
		if len(framing.Why) == 0 {
			t.Error("no reason is given")
		}
	})
}
