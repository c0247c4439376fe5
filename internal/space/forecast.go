// Package space says how much room the record has left, and for how long it lasts.
package space

import (
	"fmt"
	"math"
	"time"

	"github.com/evenbench/evenbench/internal/imprint"
)

// Warned of is a disk that is full within LowDays, or of which less than LowShare is
// free: time enough to order a disk, and room enough to go on meanwhile.
const (
	LowDays  = 14
	LowShare = 0.05
)

// Disk is the disk that the record lies on, in bytes.
type Disk struct {
	// Free is what the hub may still fill.
	Free, Total uint64
}

// Forecast is how much room is left, and for how long.
type Forecast struct {
	Disk Disk
	// Record is the room that the record takes on the disk, in bytes.
	Record uint64
	// Known says that the record is a day old, so that its growth is known.
	Known bool
	// PerDay is the growth of the record on the disk in the busiest of the last
	// seven days, in bytes.
	PerDay float64
	// Days until the disk is full, from 0; +Inf if the record does not grow.
	Days float64
	// Low says that a person should make room.
	Low bool
	// Elsewhere says that the record does not lie on the disk, but on servers whose room
	// is not known.
	Elsewhere bool
}

// Foresee makes a forecast. Growth is that of the busiest day, in bytes as they are
// written; written is how many of them the record has in all: the disk holds them
// compressed, and it is supposed that the next ones compress alike.
//
// Only the growth of the record is foreseen. What else fills the disk shows in what
// is free.
func Foresee(d Disk, record uint64, growth float64, known bool, written uint64) Forecast {
	f := Forecast{Disk: d, Record: record, Known: known, Days: math.Inf(1)}
	if known && written > 0 {
		f.PerDay = growth * float64(record) / float64(written)
	}
	if f.PerDay > 0 {
		f.Days = float64(d.Free) / f.PerDay
	}
	f.Low = f.Days < LowDays || float64(d.Free) < LowShare*float64(d.Total)
	return f
}

// Elsewhere is Foresee for a record on other servers: only what is free of the hub's own
// disk is judged.
func Elsewhere(d Disk, record uint64, growth float64, known bool, written uint64) Forecast {
	f := Foresee(d, record, growth, known, written)
	f.Elsewhere, f.Days = true, math.Inf(1)
	f.Low = float64(d.Free) < LowShare*float64(d.Total)
	return f
}

// String says it in a sentence.
func (f Forecast) String() string {
	free := fmt.Sprintf("%s of %s are free", Bytes(f.Disk.Free), Bytes(f.Disk.Total))
	switch {
	case f.Elsewhere && f.PerDay > 0:
		return fmt.Sprintf("%s on the hub's own disk; the record is on other servers, whose room is not known here, and grows by %s a day", free, Bytes(uint64(f.PerDay)))
	case f.Elsewhere:
		return free + " on the hub's own disk; the record is on other servers, whose room is not known here"
	case !f.Known:
		return free + "; how long that lasts is known when the record is a day old"
	case math.IsInf(f.Days, 1):
		return free + "; the record does not grow"
	}
	return fmt.Sprintf("%s; the disk is full in %s at %s a day", free, days(f.Days), Bytes(uint64(f.PerDay)))
}

func days(d float64) string {
	const year = 365
	switch {
	case d < 1:
		return "less than a day"
	case d < 2:
		return "a day"
	case d < 2*year:
		return fmt.Sprintf("%.0f days", math.Floor(d))
	case d < 100*year:
		return fmt.Sprintf("%.0f years", math.Floor(d/year))
	}
	return "more than 100 years"
}

// Bytes shows a number of bytes in the decimal units in which disks are sold.
func Bytes(n uint64) string {
	units := []string{"B", "kB", "MB", "GB", "TB", "PB", "EB"}
	v, u := float64(n), 0
	for v >= 999.5 && u < len(units)-1 {
		v, u = v/1000, u+1
	}
	if u == 0 || v >= 99.5 {
		return fmt.Sprintf("%.0f %s", v, units[u])
	}
	return fmt.Sprintf("%.3g %s", v, units[u])
}

// Growth adds up what is written, hour by hour. The zero Growth is ready for use.
type Growth struct {
	first   time.Time
	written uint64
	// What was written in the hour that a slot was last used for.
	slots [slots]struct {
		hour  int64
		bytes uint64
	}
}

const (
	dayHours = 24
	week     = 7
	// One more day than is looked at, so that no hour that counts is overwritten.
	slots = (week + 1) * dayHours
)

func hourOf(t time.Time) int64 { return t.Unix() / 3600 }

// Add says that bytes were written at a time.
func (g *Growth) Add(at time.Time, bytes int) {
	if g.first.IsZero() || at.Before(g.first) {
		g.first = at
	}
	g.written += uint64(bytes)
	h := hourOf(at)
	s := &g.slots[((h%slots)+slots)%slots]
	switch {
	case h > s.hour || s.bytes == 0:
		s.hour, s.bytes = h, uint64(bytes)
	case h == s.hour:
		s.bytes += uint64(bytes)
	}
}

// Imprint codes what was added up.
func (g *Growth) Imprint(c *imprint.Coder) {
	c.Time(&g.first)
	imprint.Int(c, &g.written)
	for i := range g.slots {
		imprint.Int(c, &g.slots[i].hour)
		imprint.Int(c, &g.slots[i].bytes)
	}
}

// Written returns how many bytes were written in all.
func (g *Growth) Written() uint64 { return g.written }

// BusiestDay returns how many bytes were written on the busiest of the last seven
// days, each of 24 hours; not known before anything is a day old.
func (g *Growth) BusiestDay(now time.Time) (bytes float64, known bool) {
	if g.first.IsZero() || now.Sub(g.first) < dayHours*time.Hour {
		return 0, false
	}
	var days [week]uint64
	last := hourOf(now)
	for _, s := range g.slots {
		if age := last - s.hour; age >= 0 && age < week*dayHours {
			days[age/dayHours] += s.bytes
		}
	}
	for _, d := range days {
		bytes = max(bytes, float64(d))
	}
	return bytes, true
}
