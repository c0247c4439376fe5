package guess_test

import (
	"math/bits"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/guess"
)

// bitsOf is text as it lies on a line, a bit each: a start bit, the data from the
// lowest bit on, a parity bit if there is one, a stop bit, and a pause between lines.
func bitsOf(text string, data int, parity string) []bool {
	var out []bool
	idle := func(n int) {
		for range n {
			out = append(out, true)
		}
	}
	idle(20)
	for _, c := range []byte(text) {
		out = append(out, false)
		for i := range data {
			out = append(out, c>>i&1 == 1)
		}
		odd := bits.OnesCount8(c)%2 == 1
		switch parity {
		case "even":
			out = append(out, odd)
		case "odd":
			out = append(out, !odd)
		}
		out = append(out, true)
		if c == '\n' {
			idle(60)
		}
	}
	return out
}

// sampled is what a receiver at another rate makes of it: it waits for the line to
// fall, looks in the middle of each bit, and counts a missing stop bit as an error.
func sampled(line []bool, sent, rate int) (out []byte, errors int) {
	step := float64(sent) / float64(rate)
	level := func(at float64) bool { return int(at) >= len(line) || line[int(at)] }
	for at := 0.0; at < float64(len(line)); {
		if level(at) {
			at += step / 16
			continue
		}
		var c byte
		for i := range 8 {
			if level(at + step*(1.5+float64(i))) {
				c |= 1 << i
			}
		}
		out = append(out, c)
		if !level(at + step*9.5) {
			errors++
		}
		at += step * 9.6
	}
	return out, errors
}

var spoken = map[string]string{
	"scale":  strings.Repeat("STEADY +  152.35 g\r\nMOVING +   98.10 g\r\n", 5),
	"probes": strings.Repeat("B=203.4C A=231.0C I=268.9C\r\n", 5),
	"meter":  "------ TICKET 0042 ------\r\nMOISTURE  11.4 %\r\nSAMPLE    22.1 C\r\nDENSITY   678 g/L\r\n------ END ------\r\n",
	"codes":  strings.Repeat("CA-0117\r\nEB4110\r\n", 5),
}

// Of all rates the one is found at which the device sends, with and without the help
// of a line that counts errors; seven bits and their parity too.
func TestRateIsFound(t *testing.T) {
	for name, text := range spoken {
		for _, sent := range guess.Rates {
			for _, form := range []struct {
				data   int
				parity string
			}{{8, "none"}, {7, "even"}, {7, "odd"}} {
				line := bitsOf(text, form.data, form.parity)
				var counted, uncounted []guess.Heard
				for _, rate := range guess.Rates {
					got, errors := sampled(line, sent, rate)
					counted = append(counted, guess.Heard{Baud: rate, Bytes: got, Errors: errors})
					uncounted = append(uncounted, guess.Heard{Baud: rate, Bytes: got, Errors: -1})
				}
				for _, heard := range [][]guess.Heard{counted, uncounted} {
					best, ok := guess.Best(heard)
					if !ok || best.Baud != sent || best.Bits != form.data || best.Parity != form.parity {
						t.Errorf("%s at %d, %d bits, parity %s, errors counted %v: found %+v, %v", name, sent, form.data, form.parity, heard[0].Errors >= 0, best, ok)
					}
				}
			}
		}
	}
}

// Noise and silence are no setting.
func TestNoRate(t *testing.T) {
	noise := make([]byte, 200)
	for i := range noise {
		noise[i] = byte(i*i*31 + i*7)
	}
	for _, b := range [][]byte{nil, noise, []byte("ab")} {
		if s, ok := guess.Best([]guess.Heard{{Baud: 9600, Bytes: b, Errors: -1}}); ok {
			t.Errorf("%q: found %+v", b, s)
		}
	}
}
