package try

import (
	"context"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/guess"
	"github.com/evenbench/evenbench/internal/link"
)

const (
	// shortLook is how long a line is listened to at one rate at first: a device that
	// sends all the time says enough in it. Each round takes longerLook times as long,
	// for one that speaks rarely.
	shortLook  = 1500 * time.Millisecond
	longerLook = 4
	// noise is how many bytes are enough to know that a rate is wrong, and hopeless
	// how good it may be at most for that.
	noise    = 96
	hopeless = 0.6
)

// findLine listens to a serial line at one rate after the other until one gives text
// or ctx ends, and returns how the line seems to be set, and why. It begins with the
// fastest: a receiver that is too fast makes noise of what comes, but one that is much
// too slow may make a letter of many.
func findLine(ctx context.Context, p *paper, to link.Link) (link.Line, string) {
	rates := slices.Sorted(slices.Values(guess.Rates))
	slices.Reverse(rates)
	for look := shortLook; ; look *= longerLook {
		var good []guess.Heard
		for _, baud := range rates {
			to.Line = link.Line{Baud: baud, Bits: 8, Parity: "none", Stop: 1}
			h := guess.Heard{Baud: baud, Errors: -1}
			err := listenAt(ctx, to, look, &h)
			if ctx.Err() != nil {
				break
			}
			if err != nil {
				p.rows(fmt.Sprintf("at %d", baud), wrapped(err.Error(), textRow))
				continue
			}
			s := guess.Judge(h)
			p.line(time.Now(), "at %-6d  %s", baud, s.Why)
			if s.Good >= guess.Believable {
				good = append(good, h)
			} else if len(good) > 0 && len(h.Bytes) > 0 {
				break
			}
			if len(good) == 2 {
				break
			}
		}
		if len(good) == 2 && 2*len(good[1].Bytes) > len(good[0].Bytes) {
			to.Line = link.Line{Baud: guess.Rates[0], Bits: 8, Parity: "none", Stop: 1}
			return to.Line, "it gives text at whatever rate: it is no real line, or sets itself"
		}
		if best, ok := guess.Best(good); ok {
			to.Line = link.Line{Baud: best.Baud, Bits: best.Bits, Parity: best.Parity, Stop: 1}
			return to.Line, fmt.Sprintf("%d baud, %d bits, parity %s: %s", best.Baud, best.Bits, best.Parity, best.Why)
		}
		if ctx.Err() != nil {
			to.Line = link.Line{Baud: guess.Rates[0], Bits: 8, Parity: "none", Stop: 1}
			return to.Line, "NO RATE GAVE TEXT: is the instrument on, does it send, and text?"
		}
	}
}

// listenAt takes what comes at one rate.
func listenAt(ctx context.Context, to link.Link, look time.Duration, h *guess.Heard) error {
	ctx, cancel := context.WithTimeout(ctx, look)
	defer cancel()
	conn, err := to.Open(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	if c, ok := conn.(interface{ ResetInputBuffer() error }); ok {
		// What came at another rate means nothing. Where it cannot be let go of, it is
		// heard as noise.
		_ = c.ResetInputBuffer()
	}
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	chunk := make([]byte, 4096)
	for {
		n, err := conn.Read(chunk)
		h.Bytes = append(h.Bytes, chunk[:n]...)
		switch {
		case ctx.Err() != nil, len(h.Bytes) >= noise && guess.Judge(*h).Good < hopeless:
			return nil
		case err == io.EOF || err == nil && n == 0:
			return nil
		case err != nil:
			return fmt.Errorf("read from %v: %w", to, err)
		}
	}
}
