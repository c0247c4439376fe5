package guess

import (
	"fmt"
	"math/bits"
)

// Rates are the rates of a serial line in bits per second, those that are met most
// often first (common practice).
var Rates = []int{9600, 19200, 115200, 38400, 57600, 4800, 2400, 1200}

// Heard is what one setting of a line gave.
type Heard struct {
	Baud  int
	Bytes []byte
	// Errors that the line itself found, such as a missing stop bit; -1: it does
	// not say.
	Errors int
}

// Setting is how a line seems to be set.
type Setting struct {
	Baud, Bits int
	Parity     string
	// Good is from 0, noise, to 1, nothing but text.
	Good float64
	Why  string
}

const (
	// Believable is how good a setting must be to be proposed: now and then a byte
	// is lost, but noise is hardly ever half text.
	Believable = 0.9
	// Enough bytes to judge a setting by.
	Enough = 24
)

// Judge says how well what was heard fits a setting with 8 data bits and no parity, or
// with 7 and a parity, which is heard as the eighth bit.
func Judge(h Heard) Setting {
	s := Setting{Baud: h.Baud, Bits: 8, Parity: "none"}
	if len(h.Bytes) == 0 {
		s.Why = "nothing came"
		return s
	}
	s.Good = TextShare(h.Bytes)
	if low := without(h.Bytes); s.Good < Believable && TextShare(low) >= Believable {
		switch even := evenShare(h.Bytes); {
		case even >= Believable:
			s.Bits, s.Parity, s.Good = 7, "even", even*TextShare(low)
		case even <= 1-Believable:
			s.Bits, s.Parity, s.Good = 7, "odd", (1-even)*TextShare(low)
		}
	}
	s.Why = fmt.Sprintf("%.0f %% of %d bytes are text", 100*s.Good, len(h.Bytes))
	if s.Parity != "none" {
		s.Why += " if the eighth bit is a parity bit"
	}
	if h.Errors > 0 {
		s.Good *= 1 - min(1, float64(h.Errors)/float64(len(h.Bytes)))
		s.Why += fmt.Sprintf(", and the line found %d errors", h.Errors)
	}
	if len(h.Bytes) < Enough {
		s.Good *= float64(len(h.Bytes)) / Enough
	}
	return s
}

// without returns the bytes with their eighth bit taken off.
func without(b []byte) []byte {
	out := make([]byte, len(b))
	for i, c := range b {
		out[i] = c & 0x7f
	}
	return out
}

// evenShare is the share of bytes with an even number of bits set.
func evenShare(b []byte) float64 {
	n := 0
	for _, c := range b {
		if bits.OnesCount8(c)%2 == 0 {
			n++
		}
	}
	return float64(n) / float64(len(b))
}

// Best returns the setting that fits best; false if none is believable. All were
// listened to for the same time: of two that gave text, the right one gave more, for a
// receiver that is too slow makes one byte of many.
func Best(heard []Heard) (Setting, bool) {
	var best Setting
	most, found := 0.0, false
	for _, h := range heard {
		s := Judge(h)
		believable, text := s.Good >= Believable, s.Good*float64(len(h.Bytes))
		if believable && (!found || text > most) || !found && s.Good > best.Good {
			best, most = s, text
		}
		found = found || believable
	}
	return best, found
}
