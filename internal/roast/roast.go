// Package roast follows one drum: from the readings of its probes it finds when
// beans went in, when the probe turned, and when they came out, and it computes
// what is said of a roast afterwards.
//
// It is pure. What it returns depends on what it was fed and on nothing else,
// so that feeding it the stored readings again gives the same events, reading
// by reading.
//
// Times are seconds on one monotonic axis, such as the time since an
// instrument's run was opened; temperatures are degrees Celsius as the probe
// shows them, rates kelvin per minute (UCUM allows no arithmetic on Cel, so a
// rate is K/min), masses grams.
package roast

import (
	"fmt"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Role is the part that a channel plays in a roast.
type Role uint8

const (
	// Bean is the probe among the beans. Nothing is found without it.
	Bean Role = iota
	// DrumAir is the probe in the air of the drum. With it a charge and a drop
	// are told from a lifted probe much sooner.
	DrumAir
	// InletAir is the probe in the air that enters the drum. It is taken and,
	// so far, tells nothing about marks.
	InletAir

	roles = iota
)

// RoleOf returns the role that a channel description names: "bean", "drum_air"
// or "inlet_air".
func RoleOf(name string) (Role, bool) {
	switch name {
	case "bean":
		return Bean, true
	case "drum_air":
		return DrumAir, true
	case "inlet_air":
		return InletAir, true
	}
	return 0, false
}

// Reading is one value of one of the drum's channels.
type Reading struct {
	Role Role
	// At is when it was taken, in seconds.
	At float64
	// Cel is the normalized value, degree Celsius.
	Cel float64
	// Quality as the hub found it. A bad reading is not used; an uncertain one
	// is, for a probe that reads two degrees wrong still shows when it fell.
	Quality pb.Quality
}

// What an event is about.
type What uint8

const (
	// Charged: beans went in. A roast begins.
	Charged What = iota + 1
	// Turned: the bean probe was at its lowest.
	Turned
	// Dropped: the beans came out. The roast has ended.
	Dropped
	// Aborted: the roast has ended without a drop worth the name; Reason says
	// why.
	Aborted
)

func (w What) String() string {
	switch w {
	case Charged:
		return "charged"
	case Turned:
		return "turned"
	case Dropped:
		return "dropped"
	case Aborted:
		return "aborted"
	}
	return fmt.Sprintf("What(%d)", uint8(w))
}

// Mark returns the kind of mark that the event sets; unspecified for Aborted.
func (w What) Mark() pb.MarkKind {
	switch w {
	case Charged:
		return pb.MarkKind_MARK_KIND_CHARGE
	case Turned:
		return pb.MarkKind_MARK_KIND_TURNING_POINT
	case Dropped:
		return pb.MarkKind_MARK_KIND_DROP
	}
	return pb.MarkKind_MARK_KIND_UNSPECIFIED
}

// Event is something that the tracker found.
type Event struct {
	What What
	// At is the moment found, in seconds. It lies before the reading that gave
	// it away.
	At float64
	// Found is the time of that reading; Found − At is the delay of detection.
	Found float64
	// Cel is the bean probe at At.
	Cel float64
	// Method and version that found it, as "charge_from_bend/1".
	Method string
	// Reason, for Aborted: what happened, in words for a person.
	Reason string
}

// Delay returns how long after the moment it was found, in seconds.
func (e Event) Delay() float64 { return e.Found - e.At }

// Methods by which the tracker finds marks. A change of method that can change
// a result changes the number.
const (
	// The bean probe fell sharply, towards something warmer than the room, and
	// the drum air fell a little.
	MethodChargeAir = "charge_from_bean_and_air/1"
	// The bean probe fell sharply, then turned as it does in beans.
	MethodChargeTurn = "charge_from_bean/1"
	// The lowest point of a cubic through the readings round the minimum.
	MethodTurningPoint = "turning_point_from_bean/1"
	// The bean probe fell and the drum air with it.
	MethodDropBeanAir = "drop_from_bean_and_air/1"
	// The bean probe left its course, and did not come back.
	MethodDropBean = "drop_from_bean/1"
	// The roast cannot be going on.
	MethodAborted = "aborted/1"
)
