package simlab

import "time"

// The timetable of the day. One drum is charged every slot; each comes round again
// after as many slots as there are drums. Roasts take 9 to 13 minutes, so that a
// drum has time to settle before its next charge.
const (
	drums = 4
	slot  = 210 * time.Second
	// firstCharge leaves time to weigh and queue.
	firstCharge = 150 * time.Second

	// Relative to a sample's charge.
	weighIn  = -120 * time.Second
	queue    = -60 * time.Second
	weighOut = 870 * time.Second
	colour   = 2580 * time.Second

	// Relative to its drop: when the beans are cool enough for the scale, and when
	// colour is read at the earliest; the cupping protocol allows 30 min to 4 h.
	cooling = 60 * time.Second
	rest    = 30 * time.Minute

	// receivedBefore is how many samples came in before the day began.
	receivedBefore = 8
	// Reception of the rest, one after the other.
	firstReception = 60 * time.Second
	reception      = 105 * time.Second
)

// chargeAt returns when the n-th sample, from 0, is charged.
func chargeAt(n int) time.Duration { return firstCharge + time.Duration(n)*slot }

// drumOf returns the drum, from 0, in which the n-th sample is roasted.
func drumOf(n int) int { return n % drums }

// receptionAt returns when the n-th sample is received.
func receptionAt(n int) time.Duration {
	return firstReception + time.Duration(n-receivedBefore)*reception
}
