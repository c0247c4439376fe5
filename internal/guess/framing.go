// Package guess makes proposals from what an instrument was heard to say: how its line
// is set, where its messages end, what is in them, and a sheet that would read them.
// Everything is a proposal with its reasons; a person decides. It is pure.
package guess

import (
	"bytes"
	"fmt"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/transcript"
)

// How says how messages are told apart.
type How string

// Ways to tell messages apart.
const (
	Lines     How = "line"      // each ends with a line end
	Marks     How = "delimiter" // each lies between a start and an end mark
	Fixed     How = "length"    // each begins with a mark and has the same length
	Silence   How = "silence"   // there is only silence between them
	NoFraming How = ""          // nothing was found
)

// Framing is how messages seem to be told apart.
type Framing struct {
	How        How
	Start, End []byte
	// Length of a message behind its start mark, in bytes, for Fixed.
	Length int
	// Why says what speaks for it, a line each.
	Why []string
	// Messages that were cut out so, without their marks; what may have lost its
	// beginning or end is left out.
	Messages [][]byte
}

const (
	stx, etx = 0x02, 0x03
	// leastText is the share of bytes that a device which sends text must send as
	// text; the rest is noise.
	leastText = 0.9
	// fewest messages of one length before they are believed to have it.
	fewest = 4
	// longestFixed length that is looked for, in bytes.
	longestFixed = 64
)

// Frame proposes how the messages of a device are told apart.
func Frame(events []transcript.Event) Framing {
	t := transcript.Transcript{Events: events}
	said := t.Said(transcript.Device)
	if len(said) == 0 {
		return Framing{Why: []string{"no byte came"}}
	}
	for _, try := range []func([]byte) (Framing, bool){marks, lines, fixed} {
		if f, ok := try(said); ok {
			return f
		}
	}
	if f, ok := silence(events); ok {
		return f
	}
	why := fmt.Sprintf("%d bytes came, with no line end, no start and end mark, no length that repeats, and no regular silence", len(said))
	return Framing{Why: []string{why}}
}

// TextShare is the share of bytes that are letters, digits, signs, blanks or line ends.
func TextShare(b []byte) float64 {
	if len(b) == 0 {
		return 0
	}
	n := 0
	for _, c := range b {
		if c >= ' ' && c < 0x7f || c == '\r' || c == '\n' || c == '\t' || c == stx || c == etx {
			n++
		}
	}
	return float64(n) / float64(len(b))
}

// marks looks for messages between STX and ETX.
func marks(said []byte) (Framing, bool) {
	f := Framing{How: Marks, Start: []byte{stx}, End: []byte{etx}}
	inside, outside := 0, 0
	rest := said
	for {
		from := bytes.IndexByte(rest, stx)
		if from < 0 {
			break
		}
		n := bytes.IndexByte(rest[from:], etx)
		if n < 0 {
			break
		}
		if len(f.Messages) > 0 {
			outside += len(bytes.Trim(rest[:from], "\r\n"))
		}
		f.Messages = append(f.Messages, rest[from+1:from+n])
		inside += n + 1
		rest = rest[from+n+1:]
	}
	if len(f.Messages) == 0 || 2*inside < len(said) {
		return f, false
	}
	f.Why = append(f.Why, fmt.Sprintf("%s lie between a start mark (STX, 02) and an end mark (ETX, 03)", counted(len(f.Messages), "message")))
	if outside > 0 {
		f.Why = append(f.Why, fmt.Sprintf("%d bytes lie between ETX and the next STX: perhaps a checksum, which the ascii driver does not check", outside))
	}
	return f, true
}

// lines looks for line ends.
func lines(said []byte) (Framing, bool) {
	both := bytes.Count(said, []byte("\r\n"))
	cr, lf := bytes.Count(said, []byte("\r"))-both, bytes.Count(said, []byte("\n"))-both
	share := TextShare(said)
	if both+cr+lf == 0 || share < leastText {
		return Framing{}, false
	}
	f := Framing{How: Lines}
	// A device that ends its lines with a bare CR may send an LF before the next.
	n := max(both, cr, lf)
	switch n {
	case both:
		f.End = []byte("\r\n")
	case cr:
		f.End = []byte("\r")
	default:
		f.End = []byte("\n")
	}
	f.Why = append(f.Why, fmt.Sprintf("%.0f %% of the bytes are text, and %s came %s", 100*share, transcript.Quote(f.End), times(n)))
	if other := both + cr + lf - n; other > 0 {
		f.Why = append(f.Why, fmt.Sprintf("other line ends came %s", times(other)))
	}
	pieces := bytes.Split(said, f.End)
	for _, p := range pieces[:len(pieces)-1] { // the last has not ended
		if p = bytes.Trim(p, "\r\n"); len(p) > 0 {
			f.Messages = append(f.Messages, p)
		}
	}
	return f, true
}

// fixed looks for a length after which the same bytes come again and again.
func fixed(said []byte) (Framing, bool) {
	for length := 2; length <= min(longestFixed, len(said)/fewest); length++ {
		start, at := repeated(said, length)
		if len(start) == 0 || len(start) == length {
			continue
		}
		f := Framing{How: Fixed, Start: start, Length: length - len(start)}
		for from := at + len(start); from+f.Length <= len(said); from += length {
			f.Messages = append(f.Messages, said[from:from+f.Length])
		}
		f.Why = append(f.Why, fmt.Sprintf("%s comes again every %d bytes, %s", transcript.Quote(start), length, times(len(f.Messages))))
		return f, true
	}
	return Framing{}, false
}

// repeated returns the longest run of bytes that comes again after every length, and
// nowhere in between, with where it comes first.
func repeated(said []byte, length int) (run []byte, at int) {
	same := make([]bool, length) // for each place in the length
	for i := range same {
		same[i] = true
		for k := i + length; k < len(said); k += length {
			if said[k] != said[i] {
				same[i] = false
				break
			}
		}
	}
	for i := range same {
		n := 0
		for n < length && same[(i+n)%length] && i+n < len(said) {
			n++
		}
		if n <= len(run) || n == length {
			continue
		}
		if mark := said[i : i+n]; bytes.Count(said, mark) <= len(said)/length+1 && !within(said, mark, i, length) {
			run, at = mark, i
		}
	}
	return run, at
}

// within tells whether a mark also comes where no message begins.
func within(said, mark []byte, at, length int) bool {
	for i := 0; i+len(mark) <= len(said); i++ {
		if (i-at)%length != 0 && bytes.HasPrefix(said[i:], mark) {
			return true
		}
	}
	return false
}

// silence looks for pauses that are much longer than those inside a message.
func silence(events []transcript.Event) (Framing, bool) {
	var pauses []time.Duration
	var last time.Duration
	for i, e := range events {
		if i > 0 && e.Kind == transcript.Device {
			pauses = append(pauses, e.At-last)
		}
		last = e.At
	}
	if len(pauses) < fewest {
		return Framing{}, false
	}
	sorted := slices.Sorted(slices.Values(pauses))
	short, long := sorted[0], sorted[len(sorted)-1]
	limit := max(4*short, long/4, 2*time.Millisecond)
	f := Framing{How: Silence}
	var message []byte
	last = 0
	for _, e := range events {
		if e.Kind != transcript.Device {
			continue
		}
		if len(message) > 0 && e.At-last >= limit {
			f.Messages = append(f.Messages, message)
			message = nil
		}
		message = append(message, e.Bytes...)
		last = e.At
	}
	if len(f.Messages) < fewest {
		return Framing{}, false
	}
	f.Why = []string{fmt.Sprintf("%s are set apart by silence of %v and more, and by nothing else", counted(len(f.Messages), "message"), limit.Round(time.Millisecond))}
	return f, true
}

func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func times(n int) string {
	switch n {
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return fmt.Sprintf("%d times", n)
}
