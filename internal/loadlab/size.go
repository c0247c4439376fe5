package main

import "time"

// size is how much of everything is measured.
type size struct {
	repeats int
	// Longest wait for the readings of one run, beyond the time that it takes to put
	// them: who has not delivered by then falls behind.
	patience time.Duration
	// Share of a way's most readings at full speed.
	share float64
	rates []pace
	// Instruments of the paced runs.
	instruments int
	entryBytes  int // of entries, for each size of entry
	growth      growth
}

type pace struct {
	perSecond float64
	seconds   float64
}

// growth is up to what the hub is grown.
type growth struct {
	instruments, subscribers, readings []int
	settle                             time.Duration // before memory is read
	subscribed                         float64       // seconds that subscribers are measured
}

var whole = size{
	repeats: 3, patience: 20 * time.Second, share: 1,
	rates:       []pace{{100, 30}, {2000, 10}, {20_000, 10}},
	instruments: 20,
	entryBytes:  64 << 20,
	growth: growth{
		instruments: []int{1, 20, 50, 100, 200}, subscribers: []int{1, 10, 50, 100},
		readings: []int{10_000, 100_000, 1_000_000, 10_000_000}, settle: 20 * time.Second, subscribed: 10,
	},
}

var little = size{
	repeats: 1, patience: 3 * time.Second, share: 1.0 / 40,
	rates:       []pace{{2000, 0.5}},
	instruments: 2,
	entryBytes:  2 << 20,
	growth: growth{
		instruments: []int{1, 3}, subscribers: []int{1, 5},
		readings: []int{10_000, 50_000}, settle: time.Second, subscribed: 1,
	},
}
