// Package device emulates the instruments of a sample lab: what they measure, how
// they settle and fail, and the very bytes that they say. They know nothing of the
// hub; the sheets in plugins/sheets describe the same bytes from the other side.
//
// Step and Prepare are called by the simulated bench; everything else may be called
// from any goroutine. Times are times of the simulated day.
package device

import (
	"bufio"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"github.com/evenbench/evenbench/internal/simlab/cable"
	"github.com/evenbench/evenbench/internal/simlab/drum"
)

// Device is one instrument on the bench.
type Device interface {
	// Prepare puts the device in the state in which a day begins, at a time of its
	// own clock. The same seed gives the same noise.
	Prepare(seed uint64, clock time.Time)
	// Step lets one drum.Step pass, up to now. Late says that the moment is over
	// already, because the simulation had to catch up: a device that speaks all the
	// time then leaves out a line, rather than say many at once.
	Step(now time.Duration, late bool)
	// Cable is the device's end of its cable.
	Cable() cable.Cable
}

// Wire opens the cable of a device, given what the device does with a connection.
type Wire func(cable.Serve) (cable.Cable, error)

const stepSeconds = float64(drum.Step) / float64(time.Second)

// body is what all devices have in common.
type body struct {
	mu     sync.Mutex
	cable  cable.Cable
	random *rand.Rand
	clock  time.Time // the device's own, at the start of the day
	now    time.Duration
	next   time.Duration // when a device that speaks all the time does so again
}

// Cable is the device's end of its cable.
func (b *body) Cable() cable.Cable { return b.cable }

func (b *body) prepare(seed uint64, clock time.Time) {
	b.random = rand.New(rand.NewPCG(seed, 0x5eed))
	b.clock, b.now, b.next = clock, 0, 0
}

// due lets time pass and says whether it is time for the next of the moments that
// are every so long apart.
func (b *body) due(now, every time.Duration) bool {
	b.now = now
	if now < b.next {
		return false
	}
	b.next = now + every
	return true
}

func (b *body) say(text string) { b.cable.Say([]byte(text)) }

// longestCommand that a device takes; more is forgotten.
const longestCommand = 64

// commands returns a Serve that hears commands, each ended by a carriage return or
// a line feed, and says what hear answers, if anything.
func commands(hear func(command string) (answer string)) cable.Serve {
	return func(conn io.ReadWriter) {
		in := bufio.NewReader(conn)
		var command strings.Builder
		for {
			c, err := in.ReadByte()
			switch {
			case err != nil:
				return
			case c != '\r' && c != '\n':
				if command.Len() < longestCommand {
					command.WriteByte(c)
				}
			case command.Len() > 0:
				io.WriteString(conn, hear(command.String()))
				command.Reset()
			}
		}
	}
}

// deaf is a device that takes no commands.
func deaf(string) string { return "" }
